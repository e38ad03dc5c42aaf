"""Cores of full stars: they keep their light, and their own flanks tell its colour."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from fourlight.stages.canvas import bands
from fourlight.stages.display import Field

__all__ = ["repair_cores"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]
Box = tuple[slice, slice]

# Figures below without a source were chosen on simulated stars whose colour is known (tests/stages/test_full_cores.py).
NEARLY = 0.8
"""Part of the full level above which samples may hold some of full ones."""

RIM, FAR = 1.0, (2.0, 4.0)
"""Width of the flank that tells the colour, and where the light under the star is seen, in widths of stars beyond the
pixels that are mended."""

TERRITORY = 2.0
"""How many times as far from other full stars a flank is as from its own."""

LEAST_PX = 8
"""Pixels of flank, and of the light under it, from which either is told."""

SURE = 3.0
"""Standard errors of the flank at which its colour counts half, and that of what is around the star the other half."""

OF_MEDIAN = np.pi / 2
"""Variance of a median over that of a mean."""

EIGHT = np.ones((3, 3))


def repair_cores(image: list[Float32], peaks: Float64, factors: Float64, field: Field) -> None:
    """Give the cores of saturated stars the colour of their own flanks, in place.

    Full samples stop at the same level in every channel; balanced, they would show the balance factors. The
    level is that of the brightest channel of the typical saturated star. The pixels beside full ones, as far as
    stars are wide, are mended with them. The sum of the channels stays as it is in every pixel.

    Parameters
    ----------
    image : three (ny, nx) float32
        Balanced channels.
    peaks : (n, 3) float64
        Brightest pixel of each star and channel before the balance.
    factors : (3,) float64
        The balance.
    field : Field
        The stars.
    """
    full = peaks[field.saturated & np.isfinite(peaks).all(axis=1)]
    if len(full) == 0:
        return
    hot = _above(image, NEARLY * float(np.median(full.max(axis=1))) * factors)
    if not hot.any():
        return
    # pixels between full ones hold light of full samples too, and so do those as far as samples are spread: flanks
    # of channels that are full there fall too low, and their colour is as wrong as that of the core
    _grow(hot)
    wide = hot.copy()
    for _ in range(_spread(field.fwhm_px) - 1):
        _grow(wide)
    labels, _ = ndimage.label(wide, structure=EIGHT)
    for k, box in enumerate(ndimage.find_objects(labels), start=1):
        part = _widened(box, _reach(field.fwhm_px))
        core = labels[part] == k
        patch = [plane[part] for plane in image]
        clear = ~wide[part] & np.isfinite(patch).all(axis=0)
        _mend(patch, hot[part], clear, core, field.fwhm_px)


def _above(image: list[Float32], limits: Float64) -> Bool:
    """(ny, nx) pixels of which a channel exceeds its limit: all, because a list of stars may miss the brightest."""
    hot = np.zeros(image[0].shape, dtype=bool)
    for rows in bands(hot.shape):
        for plane, limit in zip(image, limits, strict=True):
            hot[rows] |= plane[rows] > limit
    return hot


def _spread(fwhm_px: float) -> int:
    """Pixels beside a full one that are mended with it."""
    return max(1, round(fwhm_px))


def _reach(fwhm_px: float) -> int:
    """Pixels beside a core in which its colour is looked for."""
    return int(np.ceil(_spread(fwhm_px) + FAR[1] * fwhm_px)) + 1


def _widened(box: Box, margin: int) -> Box:
    rows, columns = (slice(max(side.start - margin, 0), side.stop + margin) for side in box)
    return rows, columns


def _grow(spots: Bool) -> None:
    """Add the eight neighbours of the few pixels that are True, in place."""
    y, x = np.nonzero(spots)
    ny, nx = spots.shape
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            spots[np.clip(y + dy, 0, ny - 1), np.clip(x + dx, 0, nx - 1)] = True


def _mend(image: list[Float32], hot: Bool, clear: Bool, core: Bool, fwhm_px: float) -> None:
    """Mend the ``core`` of a patch, each of the ``hot`` stars in it by its own flank, in place.

    A star without a flank goes with the nearest that has one; where none has, all stays as it is.
    """
    seeds, count = ndimage.label(hot & core, structure=EIGHT)
    level, colour = np.zeros((count + 1, 3)), np.ones((count + 1, 3))
    for k, box in enumerate(ndimage.find_objects(seeds), start=1):
        part = _widened(box, _reach(fwhm_px))
        own = seeds[part] == k
        others = hot[part] & ~own
        found = _light_of([plane[part] for plane in image], own, others, clear[part], fwhm_px)
        if found is None:
            seeds[part][own] = 0
        else:
            level[k], colour[k] = found
    if not seeds.any():
        return
    y, x = ndimage.distance_transform_edt(seeds == 0, return_distances=False, return_indices=True)
    owner = seeds[y[core], x[core]]
    above = sum(plane[core].astype(np.float64) for plane in image) / 3 - level[owner].mean(axis=1)
    for c, plane in enumerate(image):
        plane[core] = level[owner, c] + above * colour[owner, c]


def _light_of(
    image: list[Float32], star: Bool, others: Bool, clear: Bool, fwhm_px: float
) -> tuple[Float64, Float64] | None:
    """(3,) light under a star and (3,) its colour, of mean 1; None where none of its flank is clear.

    Medians of rings around it, of which a neighbour fills a part; rings count as their pixels are, and half as much
    half a width further out. What lies near other full stars is theirs.
    """
    distance = ndimage.distance_transform_edt(~star)
    if others.any():
        clear = clear & (TERRITORY * distance < ndimage.distance_transform_edt(~others))
    distance -= _spread(fwhm_px)
    rim = clear & (distance <= max(1.0, RIM * fwhm_px))
    if rim.sum() < LEAST_PX:
        return None
    far = clear & (distance > FAR[0] * fwhm_px) & (distance <= FAR[1] * fwhm_px)
    under = far if far.sum() >= LEAST_PX else rim
    values = np.array([plane[under] for plane in image], dtype=np.float64)
    level = np.median(values, axis=1)
    noise = 1.4826 * np.median(np.abs(values - level[:, None]), axis=1)
    if under is rim:
        level = np.zeros(3)
    rings = np.floor(distance[rim])
    flanks = np.array([plane[rim] for plane in image], dtype=np.float64) - level[:, None]
    steps, pixels = np.unique(rings, return_counts=True)
    profile = np.array([np.median(flanks[:, rings == step], axis=1) for step in steps])
    # not as bright as each ring is: that would favour noise upwards
    weights = pixels * 0.5 ** (2 * steps / fwhm_px)
    weights /= weights.sum()
    spread = OF_MEDIAN * ((weights**2 / pixels).sum() + 1 / under.sum())
    error = np.hypot(noise * np.sqrt(spread), 1e-6 * np.abs(level) + 1e-30)
    # one error for all: what is in doubt is how bright the flank is, and noise has no colour
    doubt = float(np.sqrt((error**2).mean()))
    return level, _colour(weights @ profile, np.maximum(level, 0.0) + doubt, doubt)


def _colour(flank: Float64, around: Float64, error: float) -> Float64:
    """(3,) colour of a flank, of mean 1, drawn towards that of what is around it as far as it is not sure."""
    light = max(float(flank.mean()), 0.0)
    sure = light**2 / (light**2 + SURE**2 * error**2)
    mixed = np.maximum(sure * flank / max(light, 1e-30) + (1 - sure) * around / around.mean(), 0.0)
    return np.asarray(mixed / mixed.mean())
