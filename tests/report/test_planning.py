"""Charts of nights and subs can be read, and show the numbers; times and words of a plan."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from drawn_figures import assert_readable, words_of
from fourlight.report import figure_ahead, figure_night, figure_sub
from fourlight.report.clock import UNIVERSAL, clock_of
from fourlight.report.figure_ahead import COLOURS, ahead_figure
from fourlight.report.figure_night import night_figure
from fourlight.report.figure_style import DARK, NARROW, WIDE, Drawn
from fourlight.report.figure_sub import sub_figure
from fourlight.report.planning import ahead_rows, moon_words, night_rows, planned_lines
from fourlight.report.planning_page import plan_page
from fourlight.report.sub_words import sub_facts, sub_plan_lines
from fourlight.sensor.chip import Chip
from fourlight.sensor.filters import named_filter
from fourlight.sensor.optics import Optics
from fourlight.sensor.rig import Rig
from fourlight.sensor.sensors import sensor
from fourlight.sky.site import Site
from fourlight.sky.skyline import skyline_from_text
from fourlight.stages.plan_light import KINDS
from fourlight.stages.plan_night import Goal, Place, watch
from fourlight.stages.plan_skies import Moonlight, plan_subs
from fourlight.stages.plan_whole import Wanted, plan_night
from fourlight.stages.plan_wish import Wish

RIG = Rig(sensor("generic"), named_filter("dual-7nm"), Optics(400.0, 80.0), Chip())
LANTERN = Place("Kelder's Lantern", 287.4, 18.2)
LEDGE = Site("ledge", 31.5, -38.0, 2100.0)
LINE = skyline_from_text("az,alt\n0,12\n100,35\n180,8\n250,10\n270,38", "ledge.csv")
WISH = Wish(KINDS["faint-nebula"], goal=20.0, clear=0.4, keep_mag=7.0, longest_s=300.0)


def planned(site=LEDGE, place=LANTERN, evening=date(2031, 8, 7), nights=0):
    return plan_night(Wanted(site, evening, place, Goal(), RIG, True, WISH, nights))


def test_stars_fill_no_pixel_of_a_colour_that_counts_nothing() -> None:
    whole = sensor("generic")
    curves = whole.curves * np.array([[1.0], [1.0], [0.0]])
    response = replace(whole, curves=curves, modes=whole.modes * 0)
    plan = plan_subs(replace(RIG, response=response), WISH, 21.0, [], 60.0, 0.2)
    text = "\n".join(sub_plan_lines(plan, []))
    assert "blue: no star fills it" in text
    assert "the sky fills it" not in text
    facts = sub_facts(plan.skies[0].sub)
    assert facts["full_by"] == {"red": "stars", "green": "stars", "blue": None}
    assert facts["full_mag"]["blue"] is None
    drowned = replace(plan.skies[0].sub, full_mag=np.array([9.0, np.nan, -np.inf]))
    assert sub_facts(drowned)["full_by"] == {"red": "stars", "green": "sky", "blue": None}


CASES = {
    "moon rises": lambda: planned(nights=365),
    "skyline": lambda: planned(
        Site("a ledge with a long name", 31.5, -38.0, 2100.0, skyline=LINE), nights=20
    ),
    "southern, full moon": lambda: planned(
        Site("south", -31.0, 20.0), Place("10.000, -20.000", 10.0, -20.0), date(2031, 12, 30), 60
    ),
    "polar night": lambda: planned(Site("north", 80.0, 20.0), Place("x", 10.0, 60.0), date(2031, 12, 21), 3),
    "short night": lambda: planned(Site("north", 46.0, 20.0), Place("x", 280.0, 40.0), date(2031, 6, 21)),
    "not up": lambda: planned(place=Place("x", 100.0, 20.0)),
    "no target": lambda: planned(place=None, nights=62),
}


AHEAD = ("moon rises", "skyline", "southern, full moon", "polar night", "no target")
"""Those that look at nights ahead."""


@cache
def plan_of(name):
    return CASES[name]()


@pytest.fixture(params=CASES)
def plan(request):
    return plan_of(request.param)


@pytest.fixture
def made(monkeypatch):
    """Figures that are made, without their files."""
    figures = []
    for module in (figure_night, figure_ahead, figure_sub):
        monkeypatch.setattr(
            module, "files", lambda figure, words: figures.append(figure) or Drawn(b"", b"", words)
        )
    return figures


@pytest.mark.parametrize("width", [WIDE, NARROW])
def test_words_of_each_night_can_be_read(made, plan, width):
    night_figure(plan, clock_of("+5:30"), width=width)
    assert_readable(made[0])
    words = {text for text, _, _ in words_of(made[0])}
    assert {"Altitude, degrees", "Air mass"} <= words
    assert any("UTC+5:30" in text for text in words)


@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize("name", AHEAD)
def test_words_of_nights_ahead_can_be_read(made, name, width):
    ahead_figure(plan_of(name), width=width, look=DARK)
    assert_readable(made[0])


@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize(
    "moons", [[], [Moonlight(0.5, 90.0), Moonlight(1.0, 60.0), Moonlight(0.1, 120.0, 10.0)]]
)
def test_words_of_subs_can_be_read(made, width, moons):
    sub_figure(plan_subs(RIG, WISH, 21.0, moons, 60.0, 0.2), width=width)
    assert_readable(made[0])


def test_hours_stand_apart_in_the_night_in_which_summer_time_begins(made):
    """Two o'clock does not exist: Directive 2000/84/EC, last Sunday of March at one o'clock UTC."""
    night_figure(planned(Site("x", 46.0, 15.0), Place("x", 150.0, 40.0), date(2031, 3, 29)), clock_of("CET"))
    (axes,) = [each for each in made[0].axes if each.get_xlabel().startswith("Time")]
    names = [label.get_text() for label in axes.get_xticklabels()]
    assert "01:00" in names
    assert "02:00" not in names
    assert names[names.index("01:00") + 1] == "03:00"
    assert np.diff(axes.get_xticks()) == pytest.approx(1.0)


def test_the_thick_line_is_the_usable_time(made):
    plan = planned()
    night_figure(plan, UNIVERSAL)
    (line,) = [each for each in made[0].axes[0].lines if each.get_label() == "usable"]
    hours = line.get_xdata()
    inside = np.flatnonzero(plan.sight.usable)
    assert hours[0] == pytest.approx(inside[0] / 60)
    assert hours[-1] == pytest.approx(inside[-1] / 60)
    assert line.get_ydata() == pytest.approx(plan.sight.target.altitude_deg[plan.sight.usable])


def test_the_sky_is_as_dark_as_the_sun_leaves_it(made):
    plan = planned()
    night_figure(plan, UNIVERSAL)
    (image,) = made[0].axes[0].images
    row = np.asarray(image.get_array())[0].mean(axis=-1)
    assert row[0] > 0.7 > row[40] > row[len(row) // 2]
    assert row[len(row) // 2] < 0.2


def luminance(colour):
    """WCAG 2.1 relative luminance."""
    parts = np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def test_colours_of_nights_ahead_differ_in_brightness_not_in_hue_alone():
    """1.3 between neighbours in brightness; those with the target are brighter by 2 than what they stand for."""
    steps = sorted(luminance(colour) + 0.05 for colour in COLOURS.values())
    assert min(b / a for a, b in pairwise(steps)) > 1.15
    light = {kind: luminance(colour) + 0.05 for kind, colour in COLOURS.items()}
    assert light[figure_ahead.READY] / light[figure_ahead.MOONLESS] > 2
    assert light[figure_ahead.UP] / light[figure_ahead.MOONLIT] > 1.2


def test_a_page_needs_nothing_else(plan):
    page = plan_page(plan, UNIVERSAL, ["a free horizon"])
    assert re.findall(r'(?:src|href|srcset)="(?!data:)[^"]+"', page) == []
    assert "width: 100%; height: auto" in page, "the style sheet is as it was written"
    assert "never point optics near" in page
    assert "A free horizon." in page
    assert "None" not in page
    assert not re.search(r">\s*nan\b|\bnan\s*<", page)


def test_lines_of_a_night_end_with_assumptions_and_cautions(plan):
    lines = planned_lines(plan, UNIVERSAL, ["a free horizon"])
    assert "assumed: a free horizon" in lines
    assert lines[-1] == "take care: Local rules come first in all of this."
    assert sum("never point optics near" in line for line in lines) == 1
    assert not [line for line in lines if "nan" in line.split() or "None" in line]


def test_a_moon_that_creeps_over_the_horizon_of_the_pole_is_up_all_day():
    """At noon its centre is 0.2 degrees below the horizon, its upper edge, as air lifts it, 0.6 degrees above."""
    night = watch(Site("pole", 89.9, 0.0), date(2031, 12, 20), Goal())
    assert -0.5 < night.moon.altitude_deg[0] < 0 < night.moon.altitude_deg[-1]
    assert moon_words(night, UNIVERSAL) == "up from noon to noon"
    below = watch(Site("pole", -89.9, 0.0), date(2031, 6, 18), Goal())
    assert below.moon.altitude_deg.max() < -1
    assert moon_words(below, UNIVERSAL) == "down from noon to noon"


def test_rows_of_a_night_stand_at_half_hours_of_the_dark():
    plan = planned()
    head, units, *rows = night_rows(plan, UNIVERSAL)
    assert len(head) == len(units) == len(rows[0])
    assert [row[0] for row in rows[:3]] == ["23:00", "23:30", "00:00"]
    assert rows[-1][0] == "06:00"
    assert [row[-1] for row in rows].count("usable") == pytest.approx(2 * plan.sight.usable_h, abs=1)


def test_many_nights_are_told_by_months():
    plan = planned(nights=60)
    rows, best = ahead_rows(plan)
    assert [row[0] for row in rows] == ["month", "2031-08", "2031-09", "2031-10"]
    assert sum(int(row[4]) for row in rows[1:]) == pytest.approx(plan.ahead.ready_h.sum(), abs=2)
    assert best.startswith("best nights: 2031-08-")


@pytest.mark.parametrize(
    ("text", "name", "hm"), [("+2", "UTC+2", "02:00"), ("-3:30", "UTC-3:30", "20:30"), (None, "UTC", "00:00")]
)
def test_zones_by_hours(text, name, hm):
    clock = clock_of(text)
    assert (clock.name, clock.hm(0.0)) == (name, hm)
    assert clock.hm(None) == "never"


def test_half_a_minute_is_rounded():
    assert [UNIVERSAL.hm(at) for at in (29.0, 31.0)] == ["00:00", "00:01"]
