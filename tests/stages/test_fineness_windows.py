"""Windows of half stacks: weights, background, gaps, masks."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.stages.fineness_windows import half_window, patches


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
