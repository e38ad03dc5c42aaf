"""Plate solutions of invented pictures of real places (stars of the catalogue, see `sky_fields`), and of none.

The catalogue is what is solved against; the pictures are made by other ways: their own distortion, scatter, missing and
false stars. Pictures of a real camera are in tests/night/test_real_pair.py and tests/cli/test_solve.py.
"""

import numpy as np
import pytest

from fourlight.core.distortion import Mapping
from fourlight.core.placements import placements
from fourlight.sky import solving
from fourlight.sky.fitting import _square
from fourlight.sky.plate import PlateSolution, Unsolved
from fourlight.sky.solving import solve, star_field
from fourlight.sky.weighing import LIMIT, log10_spent
from sky_fields import beside, invented, scattered


@pytest.mark.parametrize("width", [1.2, 2.0, 3.0, 5.0])
def test_pictures_are_solved_near_a_rough_place(width):
    """The place is off by up to the width of the picture or 2 degrees, the scale by up to 10 %."""
    random = np.random.default_rng(int(width * 10))
    solved = 0
    for _ in range(6):
        truth = invented(random, width)
        hint = beside(random, (truth.ra_deg, truth.dec_deg), max(width, 2.0))
        found = solve(truth.field(random.uniform(0.9, 1.1)), hint)
        if isinstance(found, PlateSolution):
            solved += 1
            assert truth.error_px(found) < 10, "a distortion of 5 px that few stars cannot tell, at most"
            assert found.log10_chance < LIMIT
            assert found.scale_arcsec == pytest.approx(truth.scale_arcsec, rel=0.01)
            assert found.mirrored == (np.linalg.det(truth.cd) > 0)
    assert solved >= 5


def test_pictures_are_solved_without_a_place():
    random = np.random.default_rng(3)
    for _ in range(4):
        truth = invented(random, 3.0)
        found = solve(truth.field(random.uniform(0.9, 1.1)), None)
        assert isinstance(found, PlateSolution)
        assert truth.error_px(found) < 10


def test_a_distortion_is_found():
    """Five pixels at the corners: found to a quarter of a pixel there from some hundred stars."""
    random = np.random.default_rng(4)
    truth = invented(random, 4.0)
    while abs(truth.bent_px) < 4 or len(truth.x) < 400:
        truth = invented(random, 4.0)
    found = solve(truth.field(1.05), (truth.ra_deg, truth.dec_deg))
    assert isinstance(found, PlateSolution)
    assert found.mapping.order == 3
    assert truth.error_px(found) < 0.5
    assert found.rms_px < 0.5


@pytest.mark.parametrize("place", [(10.0, 89.0), (359.95, 3.0), (200.0, -88.0)])
def test_poles_and_the_origin_of_right_ascension_are_no_hurdle(place):
    random = np.random.default_rng(6)
    truth = invented(random, 3.0, place)
    found = solve(truth.field(0.95), beside(random, place, 2.0))
    assert isinstance(found, PlateSolution)
    assert truth.error_px(found) < 10


@pytest.mark.parametrize("width", [1.5, 4.0])
@pytest.mark.parametrize("anywhere", [False, True])
def test_scattered_stars_are_not_solved(width, anywhere):
    random = np.random.default_rng(7)
    for _ in range(2):
        truth = invented(random, width)
        found = solve(
            scattered(random, truth).field(1.0), None if anywhere else (truth.ra_deg, truth.dec_deg)
        )
        assert isinstance(found, Unsolved)
        assert "\n" not in found.reason
        # the bound is one: among a few lists of no sky, chance does not look like a proof to one in a hundred
        assert found.log10_chance > -2


def test_the_chance_of_all_places_tried_sums_to_the_limit(monkeypatch):
    """Bonferroni's inequality: parts of the limit that add up to no more than it. Parts of 1 / k would add up to 14."""
    first = sum(10.0 ** -log10_spent(k) for k in range(1, 10_001))
    rest = 1 / (
        2 * (1 + np.log(10_000))
    )  # integral of 1 / (2 k (1 + ln k)^2) from there on: no less than its sum
    assert 10.0 ** -log10_spent(10_000_000) == pytest.approx(1 / (2e7 * (1 + np.log(1e7)) ** 2))
    assert 0.5 < first + rest < 1.0

    batches, counts = [], []
    monkeypatch.setattr(solving, "weighed", lambda *given: counts.append(given[-1]))

    def laid(*given):
        matrices, shift, more = placements(*given)
        batches.append((more, len(counts)))
        return matrices, shift, more

    monkeypatch.setattr(solving, "placements", laid)
    truth = invented(np.random.default_rng(7), 3.0)
    solve(scattered(np.random.default_rng(7), truth).field(1.0), (truth.ra_deg, truth.dec_deg))
    ends = [*[before for _, before in batches[1:]], len(counts)]
    spent = sum(
        more * 10.0 ** -counts[first] for (more, first), end in zip(batches, ends, strict=True) if end > first
    )
    assert len(counts) > 20
    assert spent < 1.0


def test_stars_of_another_place_are_not_solved():
    random = np.random.default_rng(8)
    for _ in range(2):
        truth, other = invented(random, 2.5), invented(random, 2.5)
        assert isinstance(solve(truth.field(1.0), (other.ra_deg, other.dec_deg)), Unsolved)


def test_a_lattice_is_not_solved():
    """Defects of a sensor in rows: many pairs of the same length."""
    x, y = (axis.ravel() * 1.0 for axis in np.mgrid[100:2000:7j, 100:1400:6j])
    assert isinstance(solve(star_field(x, y, (1500, 2100), 3.0), (83.0, 0.0)), Unsolved)


def test_too_few_stars_and_a_wrong_scale_are_told():
    few = star_field(np.arange(4.0), np.arange(4.0), (100, 100), 2.0)
    found = solve(few, (10.0, 10.0))
    assert isinstance(found, Unsolved)
    assert found.reason.startswith("4 stars found; 5 at least")
    truth = invented(np.random.default_rng(9), 3.0)
    assert isinstance(solve(truth.field(1.5), (truth.ra_deg, truth.dec_deg)), Unsolved)


def test_a_picture_without_a_catalogue_star_to_be_expected_is_not_searched_for():
    """0.1 arcsec a pixel: 980,000 stars on 41,253 square degrees are 0.006 in it."""
    random = np.random.default_rng(3)
    found = solve(
        star_field(random.uniform(0, 640, 40), random.uniform(0, 480, 40), (480, 640), 0.1), (83.0, 0.0)
    )
    assert isinstance(found, Unsolved)
    assert found.reason.startswith("the picture is 0.92 arcmin wide, in which 0.00")


def test_all_stars_at_one_place_are_no_picture():
    same = star_field(np.full(30, 500.0), np.full(30, 400.0), (800, 1000), 3.0)
    assert isinstance(solve(same, (83.0, 0.0)), Unsolved)


def test_a_polynomial_that_leaves_the_plane_at_a_corner_is_refused():
    """Stars of a part of a frame once led a cubic astray by 300 px at a corner without any; the place was right."""
    field = star_field(np.zeros(5), np.zeros(5), (2000, 3000), 2.0)
    for bend, good in ((5.0, True), (300.0, False)):
        forward = np.zeros((2, 7))
        forward[0, 3] = bend / 1500.0**3
        assert _square(Mapping(np.eye(2) * 2 / 3600, forward, np.zeros((2, 9)), 3), field) is good
