"""``fourlight camera`` and ``fourlight filter``: what they print, draw and refuse."""

from __future__ import annotations

import json

import pytest
from PIL import Image

from fourlight.sensor.filters import FILTERS, Beam, in_bands
from fourlight.sensor.sensors import names

CURVES = "\n".join(
    [
        "nm,red,green,blue",
        *(f"{nm},{0.001 * (nm - 400)},{0.3 if nm < 600 else 0.1},0.2" for nm in range(400, 701, 10)),
    ]
)
GLASS = "\n".join(["nm;T %", *(f"{nm};{'91,5' if 470 < nm < 670 else '0,0'}" for nm in range(400, 701, 5))])


@pytest.fixture
def curves(tmp_path):
    (tmp_path / "mine.csv").write_text(CURVES, encoding="utf-8")
    (tmp_path / "glass.csv").write_text(GLASS, encoding="utf-8")
    return tmp_path


def test_cameras_and_filters_are_listed(command):
    done = command("camera", "list")
    assert done.code == 0
    assert [line.split()[0] for line in done.out.splitlines()] == list(names())
    done = command("filter", "list")
    assert done.code == 0
    assert [line.split()[0] for line in done.out.splitlines()[1:]] == list(FILTERS)


@pytest.mark.parametrize(("what", "known"), [("camera", names()), ("filter", tuple(FILTERS))])
def test_lists_are_json_too(command, what, known):
    done = command(what, "list", "--json")
    assert [each["name"] for each in json.loads(done.out)] == list(known)


def test_a_camera_is_shown(command):
    done = command(
        "camera", "show", "generic", "--filter", "dual-7nm", "--f-ratio", "4", "--obstruction", "0.3"
    )
    assert done.code == 0, done.err
    assert "filter  dual-7nm, in light that converges at f/4 with 30 % of the diameter obstructed" in done.out
    assert "656.28" in done.out
    assert "to know: each value may be off by 5 %" in done.out


def test_a_camera_is_json_too(command):
    done = command("camera", "show", "bsi-8mp", "--json")
    facts = json.loads(done.out)
    assert facts["lines"][4]["line"] == "Hα"
    assert facts["lines"][4]["response"]["R"]["value"] == pytest.approx(0.691, abs=1e-3)
    assert facts["mixing"]["columns"] == ["halpha", "oiii"]


def test_own_curves_are_shown_and_drawn(command, curves):
    done = command(
        "camera",
        "show",
        curves / "mine.csv",
        "--filter",
        curves / "glass.csv",
        "--error",
        "3",
        "--out",
        curves / "x.png",
    )
    assert done.code == 0, done.err
    assert "each value may be off by 3 % (as given)" in done.out
    # by hand: red is 0.001 (656.28 - 400), the glass passes 91.5 %
    assert f"{0.25628 * 0.915:.3f} +- " in done.out
    with Image.open(curves / "x.png") as picture:
        assert picture.size[0] == 1920
    assert sorted(path.name for path in curves.iterdir()) == ["glass.csv", "mine.csv", "x.png"]


def test_a_filter_is_shown_and_drawn(command, tmp_path):
    done = command(
        "filter", "show", "dual-3nm", "--f-ratio", "2", "--index", "2.1", "--out", tmp_path / "x.svg"
    )
    assert done.code == 0, done.err
    assert "index 2.1" in done.out
    assert (tmp_path / "x.svg").read_text("utf-8").startswith("<?xml")


def test_own_bands_are_a_filter(command):
    done = command("filter", "show", "--band", "656.3,7", "--band", "500.7,7,0.5", "--json")
    facts = json.loads(done.out)
    passed = {fact["wave_nm"]: fact["transmission"] for fact in facts["lines"]}
    assert passed[656.28] == pytest.approx(1.0, abs=1e-3)
    assert passed[500.68] == pytest.approx(0.5, abs=1e-3)
    done = command("camera", "show", "bsi-5mp", "--band", "656.3,7", "--f-ratio", "3", "--json")
    red = json.loads(done.out)["lines"][4]["response"]["R"]["value"]
    alone = json.loads(command("camera", "show", "bsi-5mp", "--json").out)["lines"][4]["response"]["R"][
        "value"
    ]
    assert red / alone == pytest.approx(float(in_bands([(656.3, 7.0)]).at(656.28, Beam(3.0))), rel=1e-6)


REFUSED = [
    (("camera", "show", "generik"), "no such camera; did you mean generic? (a CSV file"),
    (
        ("camera", "show", "bsi-8mp", "--filter", "dual7nm"),
        "filter 'dual7nm': no such filter; did you mean dual-7nm?",
    ),
    (("camera", "show", ""), "camera '': no such camera; known are generic"),
    (("filter", "show", ""), "filter '': no such filter; known are none"),
    (("camera", "show", "nowhere.csv"), "nowhere.csv: cannot be read as curves of a camera (No such file"),
    (("camera", "show", "generic", "--error", "3"), "--error 3 goes with a CSV file; generic has"),
    (("camera", "show", "{mine}", "--error", "300"), "--error 300: per cent from 0 to 100 are needed"),
    (("camera", "show", "{glass}"), "it looks like the curve of a filter: fourlight filter show"),
    (("filter", "show", "{mine}"), "it looks like the curves of a camera: fourlight camera show"),
    (("camera", "show", "{folder}"), "cannot be read as curves of a camera"),
    (("camera", "show", "generic", "--out", "x.jpg"), "x.jpg: a name that ends in .png or .svg is needed"),
    (("camera", "show", "generic", "--out", "{folder}/no/x.png"), "x.png: cannot be written"),
    (
        ("camera", "show", "generic", "--obstruction", "0.3"),
        "--obstruction 0.3 goes with --f-ratio; give that too",
    ),
    (("camera", "show", "generic", "--f-ratio", "0.3"), "f-ratio 0.3 with an obstruction of 0: needed are"),
    (
        ("camera", "show", "generic", "--filter", "none", "--band", "656,7"),
        "a filter (none) and bands are given",
    ),
    (("filter", "show"), "no filter named; name one of 'fourlight filter list'"),
    (("filter", "show", "--band", "656"), "--band 656: write it as CENTRE,WIDTH in nm, such as 656.3,7"),
    (("filter", "show", "--band", "656;7"), "--band 656;7: write it as"),
    (("filter", "show", "--band", "nan,7"), "needed are a centre of 200 to 2000 nm"),
    (
        ("filter", "show", "dual-7nm", "--index", "0.5"),
        "index 0.5: needed is an effective refractive index above 1",
    ),
    (("camera", "shw"), "no such command shw (did you mean show?); see fourlight camera --help"),
    (("camera", "show"), "missing argument 'NAME|CSV'; see fourlight camera show --help"),
    (
        ("filter", "show", "none", "--oot", "x"),
        "no such option --oot (did you mean --out?); see fourlight filter show --help",
    ),
    (("filter", "show", "none", "--f-ratio", "inf"), "'inf' is found, a number is needed"),
    (("filter", "show", "none", "--f-ratio", "fast"), "'fast' is found, a number is needed, such as 2.8"),
]


@pytest.mark.parametrize(("words", "said"), REFUSED)
def test_what_cannot_be_is_one_line(command, curves, monkeypatch, words, said):
    monkeypatch.chdir(curves)
    places = {"mine": curves / "mine.csv", "glass": curves / "glass.csv", "folder": curves}
    done = command(*(word.format(**places) for word in words))
    assert done.code == 2
    assert said in done.line


@pytest.mark.parametrize(
    "words", [("camera", "show"), ("camera", "list"), ("filter", "show"), ("filter", "list")]
)
def test_every_part_of_a_command_has_help(command, words):
    done = command(*words, "--help")
    assert done.code == 0
    assert f"Usage: fourlight {' '.join(words)}" in done.out
    assert "--json" in done.out
    assert not any(word in done.out for word in ("<bool>", "<float>", "<str>", "FLOAT", "TEXT"))


@pytest.mark.parametrize("what", ["camera", "filter"])
def test_a_command_alone_says_what_there_is(command, what):
    done = command(what)
    assert "list" in done.out
    assert "show" in done.out
