"""Trails too faint for any sample to stand out are found and leave nothing in the stack; nebulae stay."""

from dataclasses import replace

import numpy as np
import pytest

from fields import frame_table, measured_frame, paint_stars, stacked, star_list, turned
from fourlight.core import cfa
from fourlight.core.skycells import Excess
from fourlight.frames import RegisteredFrame
from fourlight.stages.trails import find_trails, without_fixtures

SHAPE = (400, 560)
CELL = cfa.plane_map("RGGB")
SKY, NOISE = 100.0, 5.0
NO_STARS = star_list(np.zeros(0), np.zeros(0), np.zeros((0, 4)))


def across(x0, y0, angle):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return -np.sin(angle) * (x - x0) + np.cos(angle) * (y - y0)


def trail(x0, y0, degrees, sigmas, fwhm=2.5):
    """A Gaussian ridge whose top is so many sigma of a sample."""
    return sigmas * NOISE * np.exp(-4 * np.log(2) * (across(x0, y0, np.radians(degrees)) / fwhm) ** 2)


def found_in(image, stars=NO_STARS):
    levels = np.full((4, 6, 8), SKY, dtype=np.float32)
    frame = Excess.above(image.astype(np.float32), levels, CELL, np.full(4, NOISE))
    return find_trails(frame, stars, 2.5, 7.5)


@pytest.mark.parametrize("degrees", [0, 17, 63, 90, 122, 171])
def test_a_trail_of_one_and_a_half_sigma_is_found_where_it_lies(degrees):
    image = np.random.default_rng(1).normal(SKY, NOISE, SHAPE) + trail(270, 190, degrees, 1.5)
    found = found_in(image)
    assert len(found) == 1
    x, y, angle, half = found[0]
    turn = np.radians(degrees)
    for step in (-150, 0, 150):
        place = x + step * np.cos(angle), y + step * np.sin(angle)
        assert (
            abs(-np.sin(turn) * (place[0] - 270) + np.cos(turn) * (place[1] - 190)) < 0.8
        )  # profiles have steps of 0.5 px
    assert 2.0 < half < 6.0


def test_two_trails_and_a_bright_one():
    image = np.random.default_rng(2).normal(SKY, NOISE, SHAPE)
    image += trail(200, 100, 30, 2.0) + trail(300, 300, 110, 60.0)
    assert sorted(round(float(np.degrees(line[2]))) for line in found_in(image)) == [30, 110]


@pytest.mark.parametrize("seed", range(4))
def test_noise_and_stars_are_no_trails(seed):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, SHAPE[1], 150), rng.uniform(0, SHAPE[0], 150)
    flux = 10 ** rng.uniform(2.5, 5.5, 150)
    image = rng.normal(SKY, NOISE, SHAPE) + paint_stars(SHAPE, x, y, flux, 2.5)
    bright = flux > 1500
    listed = star_list(x[bright], y[bright], np.repeat(flux[bright, None], 4, axis=1))
    assert len(found_in(image, listed)) == 0


def test_a_stack_shows_nothing_of_faint_trails():
    """Acceptance: trails of 1.5 sigma per sample in a fourth of the frames leave at most 0.1 sigma of the stack."""
    rng = np.random.default_rng(5)
    count = 12
    matrices = np.array([turned(0, 1, tuple(rng.uniform(-4, 4, 2)), (280, 200)) for _ in range(count)])
    clean = rng.normal(SKY, NOISE, (count, *SHAPE))
    streaks = {0: (150, 120, 20), 4: (300, 240, 75), 8: (400, 150, 140)}
    dirty = clean.copy()
    for k, place in streaks.items():
        dirty[k] += trail(*place, 1.5)
    table = frame_table(matrices, SHAPE, noise=np.full(4, NOISE), level=SKY)
    trails = [found_in(image) for image in dirty]
    assert [len(lines) for lines in trails] == [int(k in streaks) for k in range(count)]
    left = {}
    for name, lines in (("seen", trails), ("missed", ())):
        with_trails, _ = stacked(dirty, replace(table, trails=lines), 1.0)
        without, _ = stacked(clean, replace(table, trails=lines), 1.0)
        layers = with_trails["G"]
        pull = (layers["value"] - without["G"]["value"]) / np.sqrt(layers["variance"])
        on = np.zeros(SHAPE, dtype=bool)
        for k, (x, y, degrees) in streaks.items():
            shift = matrices[k][:, 2]
            on |= np.abs(across(x + shift[0], y + shift[1], np.radians(degrees))) < 1.5
        left[name] = float(np.nanmean(pull[on]))
    assert left["missed"] > 0.15, "without the search for lines they stay"
    assert abs(left["seen"]) < 0.1


def placed(name, matrix, trails, **facts):
    measured = measured_frame(name, NO_STARS, SHAPE)
    measured = replace(
        measured, trails=np.array(trails, dtype=float).reshape(-1, 4), raw=replace(measured.raw, **facts)
    )
    return RegisteredFrame(measured, matrix, 0.0, 0)


def test_what_other_lights_show_at_the_same_place_is_kept():
    """A straight edge of a nebula: the same line of the sky in lights that were dithered and turned."""
    here = placed("a", np.eye(2, 3), [(270, 190, 0.5, 3), (100, 100, 1.2, 3)])
    turn = turned(180.0, 1.0, (7.0, -3.0), (280, 200))
    inverse = np.linalg.inv(turn[:, :2])
    x, y = inverse @ (np.array([270.0, 190.0]) - turn[:, 2])
    there = placed("b", turn, [(x + 30 * np.cos(0.5), y + 30 * np.sin(0.5), 0.5, 3), (300, 50, 2.2, 3)])
    kept = without_fixtures([here, there])
    np.testing.assert_allclose(kept[0], [(100, 100, 1.2, 3)])
    np.testing.assert_allclose(kept[1], [(300, 50, 2.2, 3)])


LINE = (270, 190, 0.5, 3)


def taken(*lights):
    """Which of lights, each with or without `LINE`, are without it in the stack; by matrix and facts of their own."""
    frames = [
        placed(str(k), matrix, [LINE] * shown, **facts) for k, (shown, matrix, facts) in enumerate(lights)
    ]
    return [k for k, lines in enumerate(without_fixtures(frames)) if len(lines)]


@pytest.mark.parametrize(("shown", "trails"), [({3, 4}, [3, 4]), ({0, 2, 3, 7, 8}, []), ({5}, [5])])
def test_a_line_that_goes_on_in_the_next_light_is_a_trail_and_one_in_many_lights_is_none(shown, trails):
    """A satellite that stands still over the ground, 15 arcsec a second along one line of the sky; twelve lights."""
    assert taken(*((k in shown, np.eye(2, 3), {}) for k in range(12))) == trails


@pytest.mark.parametrize(("shown", "trails"), [({4, 5, 6}, [4, 5, 6]), (set(range(3, 9)), [])])
def test_a_line_through_lights_of_two_filters_is_held_against_those_of_its_own(shown, trails):
    """Two filters that take turns, six lights each: of a satellite two lights of one filter and one of the other."""
    filters = [{"filter_name": name} for name in ("wide", "narrow")]
    assert taken(*((k in shown, np.eye(2, 3), filters[k % 2]) for k in range(12))) == trails


def test_where_no_other_light_is_like_one_any_that_shows_its_line_tells_that_it_belongs_to_the_sky():
    """A long light before ten short ones, which are held against each other and the long one."""
    long, short = ((np.eye(2, 3), {"exposure_s": exposure_s}) for exposure_s in (300.0, 30.0))
    assert taken((True, *long), *[(True, *short)] * 10) == []


def test_lights_that_cannot_show_a_line_do_not_count_against_it():
    """Two lights of one panel of six, which look elsewhere; two long ones; two through a filter."""
    elsewhere = np.array([[1.0, 0, 500], [0, 1.0, 300]])
    two = [(True, np.eye(2, 3), {"exposure_s": 300.0})] * 2
    for other in (
        (False, elsewhere, {"exposure_s": 300.0}),
        (False, np.eye(2, 3), {"exposure_s": 30.0}),
        (False, np.eye(2, 3), {"exposure_s": 300.0, "filter_name": "wide"}),
    ):
        assert taken(*two, *[other] * 10) == []
    assert taken(*two, *[(False, np.eye(2, 3), {"exposure_s": 300.0})] * 10) == [0, 1]


def test_lights_without_trails():
    kept = without_fixtures([placed("a", np.eye(2, 3), []), placed("b", np.eye(2, 3), [(1, 2, 0.3, 3)])])
    assert [len(lines) for lines in kept] == [0, 1]
