"""``fourlight sub`` as a user calls it: what is told, and what is refused."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

pytestmark = pytest.mark.usefixtures("no_settings")


def test_subs_under_each_sky(command):
    done = command("sub", "--sky", 21, "--moon", "0.5,90", "--moon", "1,60,20", "--json")
    skies = json.loads(done.out)["skies"]
    assert [sky["moon"] and sky["moon"]["altitude_deg"] for sky in skies] == [None, 40.0, 20.0]
    assert skies[0]["needed_s"] > skies[1]["needed_s"] > skies[2]["needed_s"]
    assert skies[0]["sky_mag"] == 21
    colour = skies[0]
    for name in ("red", "green", "blue"):
        # 9.756 times read noise squared over the rate of sky and dark current
        variance = 1.5**2 + 0.8**2 / 12
        assert colour["colour_s"][name] * colour["sky_e_s"][name] == pytest.approx(9.756 * variance, rel=1e-3)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--sky", "21", "--moon", "50,90"), "write 0.5 for 50 per cent"),
        (("--sky", "21", "--moon", "0.5"), "lit share and the angle"),
        (("--sky", "21", "--moon", "0.5,1"), "5 to 180"),
        (("--sky", "5"), "13 (bright city)"),
        (("--sky", "21", "--altitude", "-5"), "5 to 90"),
        (("--sky", "21", "--extinction", "0", "--moon", "1,60"), "0.05 to 1"),
        (("--sky", "21", "--loss", "0"), "0.1 to 100"),
        (("--sky", "21", "--hours", "5"), "go with --goal"),
        (("--sky", "21", "--goal", "10", "--clear", "40"), "goes with --hours"),
        (("--sky", "21", "--goal", "10", "--hours", "50"), "0.01 to 24"),
        (("--sky", "21", "--line", "halpa=3"), "halpha=30"),
        (("--sky", "21", "--surface", "bright"), "22.5,5000"),
        (("--sky", "21", "--out", "sub.html"), ".png or .svg"),
        (("--moon", "0.5,90"), "missing option '--sky'"),
    ],
)
def test_bad_input_of_a_sub_is_one_clear_line(command, words, said):
    done = command("sub", *words)
    assert done.code == 2
    assert said in done.line


@pytest.mark.parametrize(("surface", "told"), [("22.5", True), ("22.5,5000", False)])
def test_the_colour_of_a_surface_is_told_where_it_is_assumed(command, surface, told):
    done = command("sub", "--sky", 21, "--surface", surface)
    assert ("assumed: its continuum has the colour of a black body of 5000 K" in done.out) == told


@pytest.mark.parametrize(("line", "told"), [("halpha=30", True), ("oiii=10", False)])
def test_what_counts_as_halpha_is_told(command, line, told):
    done = command("sub", "--sky", 21, "--line", line)
    assert ("assumed: with each photon of Hα come 0.3 of [NII]" in done.out) == told


def test_help_and_a_sub_need_no_heavy_libraries():
    """Times of sky and charts load astropy and matplotlib; help and subs without a chart do not."""
    code = (
        "import sys; from fourlight.cli.app import build\n"
        "assert build(['plan', '--help']) == 0 and build(['sub', '--sky', '21']) == 0\n"
        "sys.exit(any(name in sys.modules for name in ('astropy', 'matplotlib', 'pyongc')))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, timeout=120, check=False)
    assert (done.returncode, done.stderr) == (0, b"")
