"""Figures: files that hold what was asked for, words that can be read at both widths, marks besides colours."""

from __future__ import annotations

import io
import subprocess
import sys
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from drawn_figures import assert_readable, captured, words_of
from fourlight.core.resolution import half_bit
from fourlight.report import figure_pictures, figure_resolution, figure_shares
from fourlight.report.figure_pictures import loss_figure, planes_figure, without_channel
from fourlight.report.figure_resolution import resolution_figure
from fourlight.report.figure_shares import MEANING, shares_figure
from fourlight.report.figure_style import DARK, LIGHT, NARROW, WIDE, line_of, write_figure
from fourlight.report.figures import write_figures
from fourlight.stages.fineness import without
from fourlight.stages.fineness_facts import resolution_facts

PLANES = ("R", "G1", "G2", "B", "G")


def facts(place, scale=1.5, reason=None, limit=1 / 3):
    """Facts of a channel whose halves correlate by 1/7 at a frequency."""
    frequency = np.linspace(0.005, 0.5, 100)
    value = 1 / (1 + 6 * (frequency / place) ** 6)
    known = reason is None
    period = {"value": 1 / place, "low": 0.985 / place, "high": 1.02 / place}
    none = dict.fromkeys(period)
    return {
        **(period if known else none),
        "arcsec": {k: scale * v for k, v in period.items()} if known and scale else (none if scale else None),
        "half_bit": period if known else none,
        "cycles_per_px": {"value": place, "low": place / 1.02, "high": place / 0.985} if known else none,
        "finest_px": 1 / limit,
        "at_limit": known and place >= limit,
        "reason": reason,
        "curve": {
            "cycles_per_px": frequency.tolist(),
            "correlation": [None, *value[1:].tolist()],
            "scatter": ((1 - value**2) / np.sqrt(1000)).tolist(),
            "half_bit": half_bit(2000 * frequency).tolist(),
        },
    }


def dithered(scale=1.5):
    return {
        name: facts(place, scale) for name, place in zip(PLANES, (0.19, 0.186, 0.187, 0.16, 0.2), strict=True)
    }


def shares(kinds=4, regions=3, known=True):
    rng = np.random.default_rng(1)
    names = ["electrons", "luminance", "information", "detail", "another kind"][:kinds]
    out = {}
    for kind in names:
        out[kind] = {}
        for region in ["whole field", "outer shell of the object", "dark lane"][:regions]:
            value = rng.dirichlet(np.ones(4))
            width = rng.choice([0.002, 0.02, 0.1])
            out[kind][region] = {
                c: {"value": v, "low": max(0, v - width), "high": min(1, v + 1.5 * width)}
                if known
                else {"value": None}
                for c, v in zip(("R", "G1", "G2", "B"), value.tolist(), strict=True)
            }
    return out


def planes(shape=(120, 160)):
    rng = np.random.default_rng(2)
    y, x = np.mgrid[: shape[0], : shape[1]]
    light = 80 * np.exp(-((x - 90) ** 2 + (y - 60) ** 2) / 800)
    out = {
        name: (100 * k + k * light + rng.normal(0, 1, shape)).astype(np.float32)
        for name, k in zip(("R", "G1", "G2", "B"), (1, 2, 2, 0.5), strict=True)
    }
    out["R"][:5] = np.nan
    return out


@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize(
    "given",
    [
        (dithered(), 1.5),
        (dithered(None), None),
        ({"G": facts(0.34)}, 1.5),
        (
            {
                name: facts(0.2, reason="the lights are not dithered, and so on for many words")
                for name in PLANES
            },
            1.5,
        ),
        ({"R": facts(0.2, reason="too few lights"), "B": facts(0.2), "L": facts(0.05)}, 1.5),
        ({"R": resolution_facts(without("the stack is smaller than 64 pixels"), 1.5)}, 1.5),
    ],
    ids=["all", "pixels", "limit", "reasons", "mixed", "empty"],
)
def test_words_of_the_resolution_can_be_read(monkeypatch, given, width):
    made = captured(monkeypatch, figure_resolution)
    drawn = resolution_figure(*given, width=width, look=DARK if width == WIDE else LIGHT)
    assert_readable(made[0])
    said = " ".join(text for text, _, _ in words_of(made[0])).replace("\n", " ")
    for fact in given[0].values():
        if fact["reason"] is None:
            number = f"{fact['value']:#.{3 if width == WIDE else 2}g}".rstrip(".")
        assert (fact["reason"] or f"{number} px") in said
    numbered = any(fact["value"] is not None for fact in given[0].values())
    assert ("arcsec" in said) == (numbered and given[1] is not None), "also where the first one has no number"
    assert [term in said for term in ("Cycle: ", "1/7: ", "Half-bit: ")] == 3 * [numbered], (
        "terms are explained"
    )
    _check_files(drawn, width)


@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize(
    ("kinds", "regions", "known"), [(4, 3, True), (1, 1, True), (3, 1, True), (5, 2, True), (1, 1, False)]
)
def test_words_of_shares_can_be_read(monkeypatch, kinds, regions, known, width):
    made = captured(monkeypatch, figure_shares)
    given = shares(kinds, regions, known)
    drawn = shares_figure(given, width=width)
    assert_readable(made[0])
    assert len(made[0].axes) == kinds
    for axes, parts in zip(made[0].axes, given.values(), strict=True):
        lengths = [part[c]["value"] for part in parts.values() for c in ("R", "G1", "G2", "B") if known]
        bars = sorted(axes.patches, key=lambda bar: bar.get_y())  # from the top down: the axis is turned
        assert axes.yaxis_inverted()
        assert [bar.get_width() for bar in bars] == pytest.approx(lengths)
        names = [label.get_text() for label in axes.get_yticklabels()]
        assert names == ["Red", "Green 1", "Green 2", "Blue"] * regions
    ends = [axes.get_xlim()[1] for axes in made[0].axes]
    assert len(set(ends)) == 1  # one scale for all, or bars would not compare
    said = [text for text, _, _ in words_of(made[0])]
    assert [MEANING[kind] in said for kind in given if kind in MEANING] == min(kinds, 4) * [True]
    _check_files(drawn, width)


@pytest.mark.parametrize("width", [WIDE, NARROW])
def test_words_of_pictures_can_be_read(monkeypatch, width):
    made = captured(monkeypatch, figure_pictures)
    for drawn in (
        planes_figure(planes(), width=width),
        loss_figure(planes(), "G", note="Green holds two thirds of the light. " * 3, width=width),
        loss_figure(planes(), "B", grey=True, width=width, look=DARK),
    ):
        _check_files(drawn, width)
    for figure in made:
        assert_readable(figure)


def _check_files(drawn, width):
    image = Image.open(io.BytesIO(drawn.png))
    assert image.width == 2 * width
    assert np.asarray(image.convert("L")).std() > 5
    root = ElementTree.fromstring(drawn.svg)
    assert root.tag.endswith("svg")
    assert float(root.get("viewBox").split()[2]) == pytest.approx(0.72 * width)
    assert b"<text" not in drawn.svg  # outlines: no font of the machine is needed
    assert len(drawn.words) > 20


def test_the_same_figure_gives_the_same_bytes():
    one, other = (shares_figure(shares()) for _ in range(2))
    assert (one.png, one.svg) == (other.png, other.svg)


def test_greens_apart_are_thinner_than_both_together(monkeypatch):
    made = captured(monkeypatch, figure_shares)
    part = {"value": 0.3, "low": 0.28, "high": 0.32}
    shares_figure(
        {"electrons": {"object": {"B": part, "G": part, "G1": part, "R": part}, "own": {"R": part}}}
    )
    assert [bar.get_height() < 10 for bar in made[0].axes[0].patches] == [False, False, True, False, False]
    said = [text for text, _, _ in words_of(made[0])]
    assert said.index("Red") < said.index("Green") < said.index("Green 1") < said.index("Blue")
    assert {"The object", "“own”"} <= set(said)


def test_parts_of_green_are_left_out_for_telephones(monkeypatch):
    made = captured(monkeypatch, figure_shares)
    part = {"value": 0.3, "low": 0.28, "high": 0.32}
    each = dict.fromkeys(("R", "G", "G1", "G2", "B"), part)
    for given in ({"object": each}, {"object": dict.fromkeys(("R", "G1", "G2", "B"), part)}):
        shares_figure({"electrons": given}, width=NARROW)
    assert [len(figure.axes[0].patches) for figure in made] == [3, 4], "green alone is left out of nothing"


def test_channels_differ_by_more_than_colour():
    lines = [line_of(name, LIGHT) for name in PLANES]
    assert len({line["marker"] for line in lines}) == len(PLANES)
    assert line_of("L", LIGHT)["marker"] not in {line["marker"] for line in lines}


def test_a_channel_taken_away_shows_sky_and_the_others_stay():
    found = without_channel(planes(), "R")
    assert np.ptp(found.without[..., 0].astype(int)) == 0
    assert (found.without[..., 1:] == found.whole[..., 1:]).all()
    assert (found.lost[..., 0] == found.whole[..., 0]).all()
    assert np.ptp(found.lost[..., 1:].astype(int)) == 0
    middle = found.whole[60, 90].astype(int)
    assert np.ptp(middle) < 12  # balanced: the object's one shape is grey


def test_one_green_of_two_halves_the_light_of_green():
    both, one = without_channel(planes(), "G"), without_channel(planes(), "G1")
    assert both.without[60, 90, 1] < one.without[60, 90, 1] < one.whole[60, 90, 1]
    assert (one.without[..., 0] == one.whole[..., 0]).all()


def test_weights_of_the_picture_are_used():
    given = planes() | {"G": planes()["G1"]}
    found = without_channel({c: given[c] for c in "RGB"}, "G", {"R": 1.0, "G": 1.0, "B": 1.0})
    red, green, blue = found.whole[60, 90].astype(int)
    assert green > red > blue


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: without_channel({"R": np.zeros((20, 20), np.float32)}, "R"), "planes R, G"),
        (lambda: without_channel(planes(), "X"), "channel X is none of"),
        (lambda: resolution_figure({}), "no channel"),
        (lambda: shares_figure({"electrons": {}}), "no share"),
        (lambda: planes_figure({"R": np.full((20, 20), np.nan, np.float32)}), "no plane"),
    ],
)
def test_nothing_to_draw_is_said(call, match):
    with pytest.raises(ValueError, match=match):
        call()


def test_files_appear_whole(tmp_path):
    paths = write_figure(tmp_path, "shares", shares_figure(shares(1, 1)))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["shares.png", "shares.svg"]
    assert all(path.stat().st_size > 1000 for path in paths)


def test_the_drawing_library_is_not_loaded_before_a_figure_is_made():
    code = (
        "import sys, fourlight.report.figure_pictures, fourlight.report.figure_shares,"
        " fourlight.report.figure_resolution; sys.exit('matplotlib' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_all_figures_of_a_run(tmp_path):
    channels = {
        "resolution": {name: dithered()[name] for name in ("R", "G", "B")},
        "shares": shares(2, 1),
        "balance": {"factors": {"R": 2.0, "G": 1.0, "B": 1.5}},
    }
    paths = write_figures(tmp_path / "figures", channels, planes(), 1.5)
    names = {path.name for path in paths}
    assert {
        "resolution.svg",
        "shares-narrow.png",
        "planes.png",
        "without-red.svg",
        "without-green.webp",
    } <= names
    assert sorted(names) == sorted(path.name for path in (tmp_path / "figures").iterdir())


def test_figures_of_a_run_without_lights_to_measure(tmp_path):
    names = {path.name for path in write_figures(tmp_path, {"shares": {"electrons": {}}}, planes())}
    assert "planes.svg" in names
    assert not any(name.startswith(("resolution", "shares")) for name in names)
