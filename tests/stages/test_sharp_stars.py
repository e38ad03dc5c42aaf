"""Stars sharper than the samples of a plane are dense: their light is kept, without rings, and trails still go."""

from dataclasses import replace

import numpy as np
import pytest

from fields import apart, frame_table, paint_stars, stacked, turned
from fourlight.core import maps

SHAPE = (240, 300)
FWHM = 1.1


def sharp_nights(count, seed=5, fwhm=FWHM):
    """Frames of round stars, those of `FWHM` mostly missed by a red or blue plane; noise 10, sky 100."""
    rng = np.random.default_rng(seed)
    places = apart(rng, 90, SHAPE, 12, 14)
    flux = np.geomspace(4e4, 4e3, len(places))
    images, matrices = [], []
    for _ in range(count):
        shift = rng.uniform(-4, 4, 2)
        matrices.append(np.column_stack([np.eye(2), shift]))
        stars = paint_stars(SHAPE, places[:, 0] - shift[0], places[:, 1] - shift[1], flux, fwhm)
        images.append(stars + 100 + rng.normal(0, 10, SHAPE))
    table = frame_table(np.array(matrices), SHAPE, noise=np.full(4, 10.0), level=100.0)
    # the sampled profile is a little wider than the star itself
    peak = flux[:, None] * np.ones(4) * 4 * np.log(2) / (np.pi * (1.2 * fwhm) ** 2)
    table = replace(table, fwhm_px=np.full(4, 1.2 * fwhm), stars=np.column_stack([places, peak]))
    return np.array(images), table, places, flux


def light_of(plane, places):
    """Light within 6 px of each star above the sky."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return np.array([(plane - 100)[np.hypot(y - cy, x - cx) < 6].sum() for cx, cy in places])


@pytest.mark.parametrize("count", [2, 3, 5])
def test_star_light_is_kept_with_few_frames(count):
    images, table, places, flux = sharp_nights(count)
    layers, _ = stacked(images, table, 2.0 if count < 5 else 1.0)
    for plane in ("R", "G", "B"):
        ratio = light_of(layers[plane]["value"], places) / flux
        # single stars stray by up to a third with two frames, their mean by 3 per cent
        assert np.mean(ratio) == pytest.approx(1, abs=0.05)
        alone = replace(table, stars=np.zeros((0, 6)))
        if count == 2:
            bare, _ = stacked(images, alone, 2.0)
            assert np.mean(light_of(bare[plane]["value"], places) / flux) < 0.9


def test_a_trail_over_well_sampled_stars_goes_too():
    # 20 frames: the reference knows the star, and the list of stars must not hide the trail
    images, table, places, flux = sharp_nights(20, fwhm=3.5)
    middling = (flux > 1e4) & (flux < 2e4)
    stars = places[middling][:6]
    clean, _ = stacked(images, table, 0.8)
    for y in stars[:, 1]:
        images[3, round(y - table.matrix[3, 1, 2]) + np.arange(-1, 2)] += 600.0
    layers, _ = stacked(images, table, 0.8)
    apart_by = [
        light_of(layers[p]["value"], stars) / light_of(clean[p]["value"], stars) - 1 for p in ("R", "G", "B")
    ]
    assert np.abs(np.mean(apart_by)) < 0.02


def test_a_trail_across_the_field_still_goes():
    images, table, places, _ = sharp_nights(6)
    clean, _ = stacked(images, table, 1.0)
    images[2, 120:122] += 400.0
    layers, _ = stacked(images, table, 1.0)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    away = np.min([np.hypot(y - cy, x - cx) for cx, cy in places], axis=0) > 8
    rows = away & (np.abs(y - 120) < 6)
    for plane in ("R", "G", "B"):
        apart_ = (layers[plane]["value"] - clean[plane]["value"])[rows]
        # a sixth of the trail would stay otherwise: 67
        assert abs(np.nanmean(apart_)) < 3


def painted_night(fwhms, flux, seed=4):
    """24 noiseless frames of nine stars of the given widths in turn, half of them turned over; sky 200."""
    rng, shape, sky = np.random.default_rng(seed), (132, 132), 200.0
    x, y = (grid.ravel() + rng.uniform(-0.5, 0.5, 9) for grid in np.meshgrid([30, 66, 101], [30, 66, 101]))
    images, matrices = [], []
    for k in range(24):
        matrices.append(turned(180 * (k % 2), 1.0, tuple(rng.uniform(-6, 6, 2)), (65.5, 65.5)))
        places = maps.apply(maps.inverse(matrices[-1]), x, y)
        images.append(paint_stars(shape, *places, flux, fwhms[k % len(fwhms)]) + sky)
    table = frame_table(np.array(matrices), shape, noise=np.full(4, 15.0), level=sky, poisson=1.0)
    table = replace(table, fwhm_px=np.full(4, np.mean(fwhms)))
    layers, _ = stacked(np.array(images), table, 1.0, method="least-squares")
    truth = np.mean([paint_stars(shape, x, y, flux, fwhm) for fwhm in fwhms], axis=0)
    v, u = np.mgrid[: shape[0], : shape[1]]
    gaps = [np.hypot(u - cx, v - cy) for cx, cy in zip(x, y, strict=True)]
    return {plane: layers[plane]["value"] - sky - truth for plane in ("R", "G", "B")}, truth, np.array(gaps)


def test_no_rings_around_bright_sharp_stars():
    """What is left without noise is of the method: at full weight samples of the core raise rings of 0.3 per cent."""
    errors, truth, gaps = painted_night([2.0], np.full(9, 2e5))
    around = (gaps.min(axis=0) > 3.5) & (gaps.min(axis=0) < 9)
    for error in errors.values():
        assert np.abs(error[around]).max() < 1.7e-3 * truth.max()


def test_bright_and_faint_stars_keep_their_light_alike():
    """Lowered weights alone take 0.2 per cent more from middling stars than from bright or faint ones."""
    flux = np.repeat([3e5, 3.6e4, 4e3], 3)
    errors, _, gaps = painted_night([3.2, 3.85], flux)
    kept = [
        [error[gap < 12].sum() / light for gap, light in zip(gaps, flux, strict=True)]
        for error in errors.values()
    ]
    levels = np.mean(kept, axis=0).reshape(3, 3).mean(axis=1)
    assert np.ptp(levels) < 5e-4


@pytest.mark.parametrize("seed", [1, 2])
def test_the_flat_tops_of_full_stars_stay_flat(seed):
    """Least squares alone ripples by three per cent there, as any series does at an edge (Gibbs)."""
    rng = np.random.default_rng(seed)
    places, full = apart(rng, 12, SHAPE, 30, 30), 20_000.0
    images, matrices = [], []
    for _ in range(16):
        shift = rng.uniform(-4, 4, 2)
        matrices.append(np.column_stack([np.eye(2), shift]))
        stars = paint_stars(SHAPE, *(places - shift).T, np.full(len(places), 1.5e6), 3.0)
        images.append(np.minimum(stars + 100 + rng.normal(0, 10, SHAPE), full))
    table = frame_table(np.array(matrices), SHAPE, noise=np.full(4, 10.0), level=100.0)
    most = []
    for known in (np.inf, 0.98 * full):
        layers, _ = stacked(
            np.array(images), replace(table, full=np.full(4, known)), 1.0, method="least-squares"
        )
        most.append([np.nanmax(layers[plane][name]) for plane in "RGB" for name in ("value", "value_a")])
    assert np.max(most[0]) > 1.01 * full
    assert np.max(most[1]) <= 1.001 * full
