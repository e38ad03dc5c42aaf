"""``fourlight compare`` as a user calls it: what is told, written and refused."""

from __future__ import annotations

import json

import pytest

pytestmark = pytest.mark.usefixtures("no_settings")

COMPARE = (
    "compare",
    "colour-dual",
    "mono-two-lines",
    "--site",
    "31.5,-38,2100",
    "--date",
    "2031-11-14",
    "--draws",
    20,
)


def test_what_both_reach_is_told_with_what_was_assumed(command):
    done = command(*COMPARE, "--hours", 4)
    assert done.code == 0, done.err
    for words in ("where the hours go", "if cloud ends the night", "verdict: ", "light in all", "a faint star",
                  "assumed: a target that passes through the zenith", "assumed: faint nebula",
                  "B: the sensor without dyes"):  # fmt: skip
        assert words in done.out


def test_numbers_as_json(command):
    found = json.loads(command(*COMPARE, "--hours", 4, "--need", "halpha", "--json").out)
    assert found["needed"] == ["halpha"]
    by = {one["about"]: one for one in found["ratios"]}
    assert next(iter(by)) == "halpha"
    assert 1.4 < by["halpha"]["b_over_a"] < 1.7
    assert by["halpha"]["low"] < by["halpha"]["b_over_a"] < by["halpha"]["high"]
    assert found["draws"] == 20
    assert len(found["sky"]) == 24


@pytest.mark.parametrize(
    ("name", "others"), [("a.png", ["a-pictures.png"]), ("a.svg", ["a-pictures.svg"]), ("a.html", [])]
)
def test_files_are_written(command, tmp_path, name, others):
    folder = tmp_path / "drawn"
    folder.mkdir()
    done = command(*COMPARE, "--hours", 1, "--out", folder / name)
    assert done.code == 0, done.err
    assert {path.name for path in folder.iterdir()} == {name, *others}
    assert all(path.stat().st_size > 20_000 for path in folder.iterdir())


def test_a_setup_and_a_site_of_ones_own(command, tmp_path):
    (tmp_path / "sites.toml").write_text(
        "[site.ledge]\nlatitude_deg = 31.5\nlongitude_deg = -38\nzone = '+3'\n"
    )
    (tmp_path / "mine.toml").write_text("name = 'what I have'\n[[filters]]\nfilter = 'uv-ir-cut'\n")
    done = command("compare", tmp_path / "mine.toml", "mono-lrgb", "--hours", 3, "--date", "2031-11-14",
                   "--site", "ledge", "--sites", tmp_path / "sites.toml", "--surface", "22,6000",
                   "--draws", 20)  # fmt: skip
    assert done.code == 0, done.err
    assert "UTC+3" in done.out
    assert "what I have: generic" in done.out
    assert "continuum 22 mag" in done.out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--hours", 0), "0.1 to 24"),
        (("--hours", 14), "without a break"),
        (("--hours", 2, "--draws", 1), "20 to 5000"),
        (("--hours", 2, "--need", "sii"), "needed light 'sii'"),
        (("--hours", 2, "--out", "a.jpg"), ".png, .svg or .html"),
        (("--hours", 2, "--kind", "galaxi"), "galaxy"),
        (("--hours", 2, "--kind", "galaxy", "--line", "halpha=5"), "give one of the two"),
        (("--hours", 2, "--target", "10,-75"), "never rises"),
        (("--hours", 2, "--star", 99), "5 to 28"),
        (("--hours", 2, "--area", -1), "0.01 to 1e7"),
        (("--hours", 2, "--sun-below", 3), "6 (bright twilight)"),
        (("--hours", 0.1), "take shorter subs or more hours"),
    ],
)
def test_what_cannot_be_is_one_line(command, words, said):
    done = command(*COMPARE, *words)
    assert done.code == 2
    assert said in done.err
    assert len(done.err.splitlines()) == 1


@pytest.mark.parametrize(
    ("site", "date", "said"),
    [
        ("75,20", "2031-06-21", "no darkness"),
        ("ledge", "2031-06-21", "LATITUDE"),
        ("31.5,-38", "2131-06-21", "1961 to 2099"),
    ],
)
def test_polar_days_and_unknown_places(command, site, date, said):
    done = command("compare", "colour-dual", "mono-lrgb", "--hours", 2, "--site", site, "--date", date)
    assert done.code == 2
    assert said in done.err


def test_a_summer_night_in_twilight(command):
    words = (
        "compare",
        "colour-dual",
        "mono-two-lines",
        "--hours",
        1,
        "--site",
        "56,20",
        "--date",
        "2031-06-21",
    )
    assert "--sun-below" in command(*words).err
    done = command(*words, "--sun-below", 9, "--draws", 20)
    assert done.code == 0, done.err
    assert "twilight adds no light" in done.out
    assert done.out.splitlines()[-1].startswith("take care: never point optics near the Sun")


def test_unknown_setups_are_told_with_the_nearest(command):
    done = command("compare", "colour-duel", "mono-lrgb", "--hours", 2, "--site", "31.5,-38")
    assert "did you mean colour-dual" in done.err
