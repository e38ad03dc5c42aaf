"""Lights set aside in the charts: at their value where one was measured, else below the axis, never at its edge."""

import re
import xml.etree.ElementTree as ET
from itertools import pairwise

import numpy as np
import pytest

from fourlight.report.charts import over_time
from fourlight.report.moments import Moment
from fourlight.report.page import page
from fourlight.report.timeaxis import BASE, TOP
from invented_run import summary
from parsed_page import parsed


def lights(*values, aside=None):
    order = [Moment(f"{k}.fits", "2031-01-02", "", {"stars": v}) for k, v in enumerate(values)]
    frame = {} if aside is None else {"stars": aside}
    return [*order, Moment("bad.fits", "2031-01-02", "", frame, reason="trailed")]


def drawn(order, **axis):
    root = ET.fromstring(over_time(order, "stars", "Stars", per_plane=False, **axis))
    marks = [e for e in root.iter() if (e.get("class") or "").startswith("aside")]
    assert len(marks) == 1
    kind, start = marks[0].get("class"), re.match(r"M(\S+) (\S+?)l", marks[0].get("d"))
    return kind, float(start[2]) + 4, [float(e.get("cy")) for e in root.iter() if e.get("cy")]


@pytest.mark.parametrize("from_zero", [False, True])
def test_without_a_value_the_mark_stands_below_the_axis(from_zero):
    kind, height, _ = drawn(lights(100, 120), from_zero=from_zero)
    assert kind == "aside under"
    assert height >= BASE + 8


@pytest.mark.parametrize("value", [95, 110, 150])
def test_a_measured_value_stands_on_the_scale_of_the_others(value):
    kind, height, used = drawn(lights(100, 120, aside=value))
    assert kind == "aside"
    slope = (used[1] - used[0]) / 20
    assert height == pytest.approx(used[0] + slope * (value - 100), abs=0.2)
    assert TOP <= height <= BASE


@pytest.mark.parametrize("value", [1, 5000])
def test_a_value_far_off_is_an_arrow_and_leaves_the_scale_to_the_others(value):
    kind, _, used = drawn(lights(100, 120, aside=value))
    assert kind == "aside off"
    assert abs(used[1] - used[0]) > (BASE - TOP) / 3


def test_the_legend_names_the_marks_that_occur_and_no_others():
    text = parsed(page(summary(), np.zeros((4, 4, 3), np.float32), {}, {})).text
    assert "below the axis: set aside, and this number not measured" in text
    facts = summary()
    facts["set_aside"] = []
    text = parsed(page(facts, np.zeros((4, 4, 3), np.float32), {}, {})).text
    assert "set aside" not in text.split("Frames over time")[1].split("Night")[0]


@pytest.mark.parametrize("nights", [1, 3, 9, 40])
def test_labels_of_nights_never_run_into_each_other(nights):
    order = [
        Moment(f"{n}_{k}", f"2031-{1 + n // 28:02d}-{1 + n % 28:02d}", "", {"stars": 9})
        for n in range(nights)
        for k in range(1 + 3 * (n % 3))
    ]
    root = ET.fromstring(over_time(order, "stars", "Stars", per_plane=False))
    middles = [e for e in root.iter() if e.get("class") == "tick mid"]
    # 6.4 px: mean advance of digits at 13 px in common sans-serif faces (from memory: 0.5 em and less)
    spans = [(float(e.get("x")), 6.4 * len(e.text) / 2) for e in middles]
    assert spans
    for (x0, half0), (x1, half1) in pairwise(spans):
        assert x0 + half0 < x1 - half1
    assert all(x - half >= 0 and x + half <= 640 for x, half in spans)
