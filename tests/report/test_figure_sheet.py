"""The picture with its facts: arrows, bar and words."""

import numpy as np
import pytest

from drawn_figures import captured, words_of
from fourlight.core.distortion import Mapping
from fourlight.report import figure_sheet
from fourlight.report.figure_sheet import STEPS_ARCSEC, bar_length, captions, compass, sheet_figure
from fourlight.sky.plate import PlateSolution
from invented_run import summary

NONE = np.empty(0, dtype=np.int64)


@pytest.mark.parametrize("seed", range(6))
def test_arrows_point_to_where_the_solution_puts_north_and_east(seed):
    rng = np.random.default_rng(seed)
    angle, mirror = rng.uniform(0, 2 * np.pi), rng.choice([-1, 1])
    cd = (
        1e-3
        * np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        @ np.diag([1, mirror])
    )
    plate = PlateSolution(
        120.0,
        40.0,
        400,
        600,
        Mapping(cd, np.zeros((2, 0)), np.zeros((2, 0)), 1),
        9,
        9,
        0.1,
        -50.0,
        2026.0,
        NONE,
        NONE,
    )
    north, east = compass({"rotation_deg": plate.rotation_deg, "mirrored": plate.mirrored})
    middle = np.array(plate.pixel(120.0, 40.0))
    for arrow, place in ((north, (120.0, 40.05)), (east, (120.0 + 0.05 / np.cos(np.radians(40)), 40.0))):
        way = np.array(plate.pixel(*place)) - middle
        np.testing.assert_allclose(arrow, way / np.hypot(*way), atol=2e-3)


def test_bars_have_round_lengths_and_fit():
    for width in np.geomspace(20, 36000, 60):
        length, words = bar_length(width)
        assert 0.08 * width <= length <= 0.3 * width
        assert length in STEPS_ARCSEC
        assert words[-1] in "°′″"


def test_words_lie_apart_and_the_facts_are_there(monkeypatch):
    made = captured(monkeypatch, figure_sheet)
    facts = summary()
    facts["sky"] = {
        "rotation_deg": 30.0, "mirrored": True, "scale_arcsec_px": 2.0,
        "objects": [{"name": "M 0", "also": "Invented"}, {"name": "NGC 0", "also": None}],
    }  # fmt: skip
    facts["object"] = None
    page, told = sheet_figure(np.full((300, 400, 3), 30, np.uint8), facts)
    assert page.size == (1920, page.height)
    assert captions(facts)[0] == "M 0 (Invented), NGC 0"
    words = words_of(made[0])
    texts = [text for text, _, _ in words]
    assert {"N", "E"} <= set(texts)
    assert any(text.endswith(("′", "″")) for text in texts)
    for k, (text, box, _) in enumerate(words):
        for other, beside, _ in words[:k]:
            assert not box.overlaps(beside), f"{text} on {other}"
    assert "at 300 dots per inch" in told


def test_what_is_not_known_is_left_out():
    facts = {"picture": {"window": [0, 30, 0, 40]}, "frames": [{}], "nights": [], "integration": {}}
    _, told = sheet_figure(np.zeros((30, 40, 3), np.uint8), facts)
    assert told == "Deep-sky picture: 1 light. 40 by 30 pixels; 0.34 by 0.25 cm at 300 dots per inch."
