"""Rejection of flat noise against astropy's clipping of the same samples: who is cut, and what is left."""

import runpy
from pathlib import Path

import numpy as np
import pytest
from astropy.stats import mad_std, sigma_clip

from fourlight.core import cfa
from fourlight.recipe import Integrate
from fourlight.stages import tile_samples
from fourlight.stages.geometry import HALO, Tile

fields = runpy.run_path(str(Path(__file__).parents[1] / "fields.py"))
SHAPE = (256, 256)
CELL = cfa.plane_map("RGGB")
LEVEL, NOISE = 500.0, 8.0


def judged(images, **settings):
    """Masks of our rejection for frames that lie exactly on each other."""
    count = len(images)
    still = np.tile([[1.0, 0, 0], [0, 1.0, 0]], (count, 1, 1))
    table = fields["frame_table"](still, SHAPE, noise=np.full(4, NOISE), level=LEVEL)

    def read(f, y0, y1, x0, x1):
        return images[f, y0:y1, x0:x1].copy(), np.empty((0, 0), dtype=np.float32)

    found = tile_samples.load(Tile(0, SHAPE[0], 0, SHAPE[1]), table, read)
    ref = tile_samples.reference(found, table)
    tile_samples.reject(found, table, ref, Integrate(**settings))
    return np.array(found.bad, dtype=bool), ref.value, ref.scatter, found


@pytest.fixture(scope="module")
def flat():
    return np.random.default_rng(1).normal(LEVEL, NOISE, (24, *SHAPE)).astype(np.float32)


def test_reference_and_scatter_are_astropys_median_and_mad(flat):
    _, ref, scatter, _ = judged(flat)
    inner = np.s_[HALO:-HALO, HALO:-HALO]
    for plane in range(4):
        y, x = np.argwhere(plane == CELL)[0]
        own = flat[:, y::2, x::2]
        np.testing.assert_allclose(ref[plane][inner][y::2, x::2], np.median(own, axis=0), rtol=1e-6)
        np.testing.assert_allclose(
            scatter[plane][inner][y::2, x::2], mad_std(own, axis=0), rtol=2e-4, atol=1e-4
        )


def test_share_of_good_samples_that_is_cut(flat):
    """At 4.5 sigma a normal distribution loses 6.8e-6; clipping by the scatter of 24 samples loses more."""
    bad, _, _, found = judged(flat, gradient_tolerance=0.0)
    theirs = sigma_clip(flat, sigma=4.5, axis=0, cenfunc="median", stdfunc=mad_std, maxiters=1).mask
    # 1.6e6 samples: 11 expected beyond 4.5 sigma; the larger of claim and scatter cuts fewer
    assert bad.mean() < 2e-5
    assert bad.mean() < 0.2 * theirs.mean()
    assert found.rejected.sum() == bad.sum()
    assert found.used.sum() == bad.size
    assert judged(flat)[0].sum() <= bad.sum()


def larger_of_claim_and_scatter(data, axis=None):
    return np.maximum(NOISE, mad_std(data, axis=axis))


@pytest.mark.parametrize("sigma", [3.0, 4.5])
def test_the_same_samples_are_cut_as_by_astropy_with_our_noise(flat, sigma):
    """astropy's clipping with the noise we expect, about the same median; its own error widens the threshold."""
    images = flat.copy()
    images[5, 100:110] += 300
    bad, *_ = judged(images, gradient_tolerance=0.0, reject_sigma=sigma)
    widened = sigma * np.sqrt(1 + np.pi / 2 / 24)
    theirs = sigma_clip(
        images, sigma=widened, axis=0, cenfunc="median", stdfunc=larger_of_claim_and_scatter, maxiters=1
    )
    missed, more = theirs.mask & ~bad, bad & ~theirs.mask
    # rounding of float32; neighbours of three rejected samples go at 0.4 of the threshold
    assert missed.mean() < 1e-6
    assert more[:, :90].mean() < (1e-3 if sigma < 4 else 1e-6)
    assert bad[5, 100:110].all()
    # 0.2700 % of a normal distribution beyond 3 sigma (its integral) is never exceeded
    assert bad[:, :90].mean() < 0.0027
    left = np.ma.masked_array(images, bad).mean(axis=0) - theirs.mean(axis=0)
    assert np.std(np.asarray(left)) < 0.05 * NOISE / np.sqrt(24)


@pytest.mark.parametrize("count", [3, 6, 24])
def test_clear_outliers_are_cut_by_both(flat, count):
    images = flat[:count].copy()
    rng = np.random.default_rng(2)
    hit = rng.random((count, *SHAPE)) < 0.3 / count / 8
    hit &= hit.sum(axis=0) == 1
    images[hit] += 40 * NOISE
    bad, *_ = judged(images)
    theirs = sigma_clip(images, sigma=4.5, axis=0, cenfunc="median", stdfunc=mad_std, maxiters=1).mask
    assert bad[hit].mean() > 0.999
    # of three samples the scatter says nothing: astropy cuts good ones, we do not
    assert theirs[hit].mean() > (0.9 if count > 3 else 0.5)
    assert bad[~hit].mean() < 5e-5
    assert bad[~hit].mean() <= theirs[~hit].mean()
