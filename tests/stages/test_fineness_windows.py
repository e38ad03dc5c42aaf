"""Windows of half stacks: weights, background, gaps, masks."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.frames import StarList
from fourlight.stages.fineness_windows import half_window, patches, star_mask, star_radii


def stars(x, y, flux, width=3.0, saturated=False):
    ones = np.ones(len(x))
    light = np.asarray(flux, float)[:, None] * np.ones(4)
    return StarList(
        np.array(x, float), np.array(y, float), light, 0 * light, width * ones, ones, ones * saturated > 0
    )


@pytest.mark.parametrize(("shape", "most"), [((300, 400), 1024), ((700, 1000), 256), ((1030, 1024), 1024)])
def test_weights_of_windows_share_the_picture(shape, most):
    total = np.zeros(shape)
    cut = patches(shape, most)
    for patch in cut:
        total[patch.cut] += np.outer(patch.rows, patch.columns) ** 2
    assert len({patch.shape for patch in cut}) == 1
    assert max(cut[0].shape) <= most
    margin = max(cut[0].shape) // 8
    assert total[margin:-margin, margin:-margin] == pytest.approx(1, abs=1e-6)
    assert total.max() <= 1 + 1e-6
    assert total[0].max() < 0.01


def test_smooth_background_goes_and_detail_stays():
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:300, :400]
    detail = rng.normal(0, 1, y.shape)
    sky = 500 + 0.2 * x + 1e-3 * y**2
    (patch,) = patches(y.shape)
    light, covered, gaps = half_window((sky + detail).astype(np.float32), patch, np.ones(y.shape, np.float32))
    inner = np.s_[60:-60, 60:-60]
    assert (light - detail)[inner].std() < 0.05  # curvature leaves a constant, which no ring sees
    assert np.corrcoef(light[inner].ravel(), detail[inner].ravel())[0, 1] > 0.99
    assert (covered == 1).all()
    assert gaps == 0


def test_gaps_are_filled_and_large_parts_left_out_smoothly():
    rng = np.random.default_rng(2)
    plane = rng.normal(100, 1, (256, 256)).astype(np.float32)
    plane[:, :80] = np.nan
    holes = rng.random(plane.shape) < 0.05
    plane[holes] = np.nan
    (patch,) = patches(plane.shape)
    light, covered, gaps = half_window(plane, patch, np.ones(plane.shape, np.float32))
    assert np.isfinite(light).all()
    assert covered[:, :80].max() < 0.01
    assert covered[:, 140:] == pytest.approx(1, abs=1e-3)
    assert np.abs(np.diff(covered, axis=1)).max() < 0.1
    assert gaps == pytest.approx(0.05, abs=0.01)
    assert np.abs(light[holes & (covered > 0.99)]).max() < 5


def test_a_plane_that_holds_nothing_is_covered_nowhere():
    (patch,) = patches((128, 128))
    light, covered, _ = half_window(
        np.full((128, 128), np.nan, np.float32), patch, np.ones((128, 128), np.float32)
    )
    assert not covered.any()
    assert np.isfinite(light).all()


def test_masks_reach_to_where_stars_are_lost_in_noise():
    """A Moffat star of exponent 3 and 1e5 electrons: its profile at the radius is 0.3 of the noise."""
    found = stars([50, 20], [60, 20], [1e5, 30.0])
    radius = star_radii(found, np.full(4, 5.0))
    core = 1.5 / np.sqrt(2 ** (1 / 3) - 1)
    wing = 1e5 * 2 / (np.pi * core**2) * (1 + (radius[0] / core) ** 2) ** -3
    assert wing == pytest.approx(0.3 * 5, rel=1e-6)
    assert radius[1] == 1.5 * 3  # what hardly rises above the noise still has its core masked
    (patch,) = patches((128, 100))
    mask = star_mask(patch, found, radius)
    assert mask[60, 50] == 0
    assert mask[110, 90] == 1
    assert np.abs(np.diff(mask, axis=0)).max() < 0.3


def test_masks_of_saturated_stars_are_wider_and_stars_outside_do_no_harm():
    plain, full = (
        star_radii(stars([5], [5], [1e4], saturated=kind), np.ones(4))[0] for kind in (False, True)
    )
    assert full == pytest.approx(2 * plain)
    (patch,) = patches((64, 64))
    away = stars([-500, 900], [10, 10], [1e6, 1e6])
    assert (star_mask(patch, away, np.full(2, 20.0)) == 1).all()
    assert star_mask(patch, stars([-3], [30], [1e4]), np.full(1, 10.0))[30, 0] == 0


def test_a_star_without_width_or_light_gets_a_small_mask():
    odd = stars([5.0], [5.0], [np.nan], width=np.nan)
    assert star_radii(odd, np.ones(4)) == pytest.approx(1.5 * 2)
