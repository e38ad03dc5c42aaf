"""Full cores from their wings; limits without a source are ours."""

import numpy as np
import pytest

from finish_scenes import moffat
from fourlight.core import fullcores
from fourlight.core.fieldprofile import FieldProfile
from fourlight.core.fullcores import cores, full_spots, refitted
from fourlight.core.profilerest import no_rest


def profile(width=3.0, size=(160, 160)):
    a = 1 / (0.5 * width) ** 2
    return FieldProfile(np.array([[a], [0.0], [a]]), 1 / 3.5, no_rest(3)[0], size, 10)


def found(plane, hot, profile):
    """All groups of full pixels, each fitted alone."""
    return [refitted(plane, plane, core, hot, profile) for core in cores(hot, profile.fwhm_px())]


def clipped(stars, full=5000.0, seed=1):
    rng = np.random.default_rng(seed)
    truth = 100 + sum(light * moffat(x, y, 3.0, (160, 160)) for x, y, light in stars)
    noisy = truth + rng.normal(size=truth.shape) * np.sqrt(4 + truth / 20)
    return truth, np.minimum(noisy, full).astype(np.float32)


def test_a_full_star_is_found_from_its_wings():
    _, plane = clipped([(80.3, 79.6, 5e5)])
    (core,) = found(plane, full_spots([plane], 5000), profile())
    peak = moffat(0, 0, 3.0, (1, 1))[0, 0] * 5e5
    assert core.stars[0, :2] == pytest.approx([80.3, 79.6], abs=0.1)
    # height of the profile at its middle, before the pixel: a few per cent above the brightest pixel
    assert core.stars[0, 2] == pytest.approx(peak, rel=0.1)


def test_two_full_stars_that_touch():
    _, plane = clipped([(77.0, 80.0, 4e5), (83.0, 81.0, 3e5)])
    (core,) = found(plane, full_spots([plane], 5000), profile())
    assert len(core.stars) == 2
    assert sorted(core.stars[:, 0]) == pytest.approx([77, 83], abs=0.4)


def test_a_plateau_at_the_edge_and_one_alone_in_gaps():
    _, plane = clipped([(0.0, 80.0, 4e5), (120.0, 120.0, 4e5)])
    plane[100:140, 100:140][plane[100:140, 100:140] < 5000] = np.nan
    hot = full_spots([plane], 5000)
    both = found(plane, hot, profile())
    assert len(both) == 2
    for core in both:
        again = refitted(plane, plane, core, hot, profile())
        assert len(again.stars) == len(core.stars)


def test_a_wide_core_is_fitted_by_the_pixels_around_it(monkeypatch):
    """A burnt nebula of 120 px: what is reckoned grows with its rim, two widths of stars, not with its area."""
    y, x = np.mgrid[:300, :300]
    plane = (7000 - 30 * np.hypot(x - 150, y - 150)).clip(100, 5000).astype(np.float32)
    sizes, whole = [], fullcores.printed_at
    monkeypatch.setattr(fullcores, "printed_at", lambda *said: (sizes.append(said[-1].size), whole(*said)))
    (core,) = found(plane, full_spots([plane], 5000), profile(size=plane.shape))
    rim = 2 * np.pi * core.size_px * 2 * 3.0
    assert core.size_px == pytest.approx(67.5, abs=1)
    assert 0 < max(sizes) < 1.2 * rim


def test_a_group_is_fitted_again_when_its_neighbour_is_taken_off():
    """Two groups in each other's light; from what is left of the plane one star comes back as if it stood alone."""
    _, plane = clipped([(74.2, 80.4, 4e5), (85.0, 79.0, 1e6)])
    hot = full_spots([plane], 5000)
    unknown, _ = sorted(cores(hot, profile().fwhm_px()), key=lambda core: core.part[1].start)
    assert len(unknown.stars) == 0
    left = plane - (1e6 * moffat(85.0, 79.0, 3.0, plane.shape)).astype(np.float32)
    again = refitted(left, plane, unknown, hot, profile())
    assert again.part == unknown.part
    (star,) = again.stars
    assert star[:2] == pytest.approx([74.2, 80.4], abs=0.1)
    assert star[2] == pytest.approx(moffat(0, 0, 3.0, (1, 1))[0, 0] * 4e5, rel=0.1)


@pytest.mark.parametrize("lights", [
    [(80.0, 76.0, 1.0e5), (80.3, 80.0, 7e4)],
    [(80.0, 76.0, 1.0e5), (80.3, 79.5, 7e4), (80.1, 83.0, 9e4)],
])  # fmt: skip
def test_a_group_is_made_of_as_many_stars_as_its_light_asks_for(lights):
    """Full pixels that look like those of one long star."""
    truth, plane = clipped(lights, full=2500.0)
    hot = full_spots([plane], 2500)
    (core,) = found(plane, hot, profile())
    assert len(core.stars) == len(lights)
    drawn = (
        sum(h * moffat(x, y, 3.0, plane.shape) for x, y, h in core.stars) / moffat(0, 0, 3.0, (1, 1))[0, 0]
    )
    flank = ~hot & (truth > 300)
    # heights are those of the profile in its middle, some 5 % above the brightest pixel
    assert drawn[flank] / (truth[flank] - 100) == pytest.approx(1.05, abs=0.15)


def test_what_was_taken_too_much_of_a_neighbour_hides_no_star():
    """Pixels below nothing are as uncertain as the light that was there is bright."""
    _, plane = clipped([(74.2, 80.4, 4e5), (85.0, 79.0, 1e6)])
    hot = full_spots([plane], 5000)
    unknown, _ = sorted(cores(hot, profile().fwhm_px()), key=lambda core: core.part[1].start)
    left = plane - (2e6 * moffat(85.0, 79.0, 3.0, plane.shape)).astype(np.float32)
    assert left[~hot].min() < -900
    again = refitted(left, plane, unknown, hot, profile())
    assert again.stars[:, 2].sum() == pytest.approx(moffat(0, 0, 3.0, (1, 1))[0, 0] * 4e5, rel=0.2)


def test_nothing_full():
    plane = np.ones((20, 20), np.float32)
    assert not cores(full_spots([plane], float("inf")), 3.0)
    assert not cores(full_spots([plane], 2.0), 3.0)
