"""How much one sample scatters; stars, nebula and whole-number data do not bend the answer."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.spread import core_spread

__all__ = ["cell_noise", "quantisation_step", "sample_noise"]

FloatArray = npt.NDArray[np.float64]
Array = npt.NDArray[np.floating]

_SECOND_DIFFERENCE = 1.5
"""Variance of ``x - (left + right) / 2`` over that of one sample: 1 + 2 / 4."""
_STAR_CUT = 2.5
_BLOCK = 32
"""Side in samples of the blocks within which light is compared with its surroundings."""
_MOST = 200_000
"""Samples that are looked at: the error of the answer is then about 0.2 %."""
_FEWEST = 50


def sample_noise(plane: Array, mask: npt.NDArray[np.bool_] | None = None) -> float:
    """Standard deviation of one sample of a plane at its sky level.

    From ``x - (left + right) / 2`` of same-plane neighbours, which takes out anything smooth. Where the rows
    above and below are bright the difference is left out: those rows share the star but not the noise, so the
    choice does not bend the result.

    Parameters
    ----------
    plane : (my, mx) array
        Samples of one colour plane, any unit; NaN is left out.
    mask : (my, mx) bool array, optional
        True where a sample shall not be used.

    Returns
    -------
    float
        Unit of the plane; NaN when fewer than 50 differences are left.

    Notes
    -----
    Bias under 1 % for Poisson skies of 20 to 5000 electrons with stars and nebula, whole-number data
    included (measured in the tests). It fails where most of the plane is star, and it cannot tell fixed
    pixel-to-pixel pattern from noise.

    Examples
    --------
    >>> sky = np.random.default_rng(2).poisson(400.0, (200, 300))
    >>> round(sample_noise(sky))
    20
    """
    samples = _prepared(plane, mask)
    step = max(1, round(samples.size / _MOST))
    difference = _faint_differences(samples, samples, step)
    if len(difference) < _FEWEST:
        return float("nan")
    return float(core_spread(difference)[1] / np.sqrt(_SECOND_DIFFERENCE))


def cell_noise(
    first: Array, second: Array | None, side: int, mask: npt.NDArray[np.bool_] | None = None
) -> tuple[FloatArray, FloatArray]:
    """Level and variance of one sample, cell by cell, from two exposures of the same field (or one).

    The variance comes from the difference of the exposures, so what both share (response differences from
    pixel to pixel, smooth light) drops out; its second differences also take out changed gradients.

    Parameters
    ----------
    first, second : (my, mx) array
        One plane of each exposure, ADU. With ``second`` None the second differences of ``first`` are used.
    side : int
        Side of a cell in samples.
    mask : (my, mx) bool array, optional
        True where a sample shall not be used.

    Returns
    -------
    level, variance : (n,) float64
        Mean level (ADU) and variance (ADU^2) per sample and exposure of the cells where at least half of
        the samples could be used and few were outliers.

    Notes
    -----
    Janesick's photon transfer, by cells: ``var(F1 - F2) / 2`` against ``(F1 + F2) / 2``.
    """
    a = _prepared(first, mask)
    if second is None:
        found = _cells(a, a, side)
        return found[:, 0], found[:, 1] / _SECOND_DIFFERENCE
    b = _prepared(second, mask)
    found = _cells(a - b, (a + b) / 2, side)
    return found[:, 0], found[:, 1] / (2 * _SECOND_DIFFERENCE)


def quantisation_step(values: npt.ArrayLike) -> float:
    """Smallest step between samples: 1 for plain whole numbers, 4 where 14 bits were stretched to 16.

    0 if the samples are not whole numbers. The variance a step adds is ``step^2 / 12`` (uniform distribution;
    EMVA 1288).

    >>> quantisation_step([4, 16, 8]), quantisation_step([0.5, 1.25]), quantisation_step([7, 7])
    (4.0, 0.0, 1.0)
    """
    flat = np.asarray(values, dtype=np.float64).ravel()
    flat = flat[np.isfinite(flat)]
    if flat.size == 0 or np.any(flat != np.rint(flat)) or np.max(np.abs(flat)) > 2**52:
        return 0.0
    step = int(np.gcd.reduce(np.abs(np.diff(flat)).astype(np.int64))) if flat.size > 1 else 0
    return float(step) if step else 1.0


def _prepared(plane: Array, mask: npt.NDArray[np.bool_] | None) -> FloatArray:
    samples = np.array(plane, dtype=np.float64)
    if samples.ndim != 2:
        raise ValueError(f"a plane has two axes, found shape {samples.shape}")
    if mask is not None:
        samples[mask] = np.nan
    return samples


@njit(cache=True, nogil=True)
def _neighbour_rows(image: FloatArray, out: FloatArray) -> None:
    """Mean of the six samples in the rows above and below, for each inner sample."""
    ny, nx = image.shape
    for y in range(1, ny - 1):
        for x in range(1, nx - 1):
            total = 0.0
            for dx in range(-1, 2):
                total += image[y - 1, x + dx] + image[y + 1, x + dx]
            out[y - 1, x - 1] = total / 6.0


@njit(cache=True, nogil=True)
def _unlike(around: FloatArray, keep: npt.NDArray[np.bool_]) -> None:
    """Clear ``keep`` where the surroundings are not finite or far from what is usual in the block."""
    finite = np.isfinite(around)
    usual = around.ravel()[finite.ravel()]
    middle, sigma = core_spread(usual)
    for y in range(around.shape[0]):
        for x in range(around.shape[1]):
            if not finite[y, x] or abs(around[y, x] - middle) > _STAR_CUT * sigma:
                keep[y, x] = False


@njit(cache=True, nogil=True)
def _block_differences(change: FloatArray, level: FloatArray, twice: bool) -> FloatArray:
    """Second differences of ``change`` along x where neither the level nor its change shows a star."""
    ny, nx = change.shape
    keep = np.ones((ny - 2, nx - 2), dtype=np.bool_)
    around = np.empty((ny - 2, nx - 2))
    _neighbour_rows(level, around)
    _unlike(around, keep)
    if twice:
        _neighbour_rows(change, around)
        _unlike(around, keep)
    out = np.empty((ny - 2) * (nx - 2))
    count = 0
    for y in range(1, ny - 1):
        for x in range(1, nx - 1):
            value = change[y, x] - (change[y, x - 1] + change[y, x + 1]) / 2
            if keep[y - 1, x - 1] and np.isfinite(value):
                out[count] = value
                count += 1
    return out[:count]


@njit(cache=True, nogil=True)
def _faint_differences(change: FloatArray, level: FloatArray, step: int) -> FloatArray:
    """Differences of every ``step``-th block of the frame, in one array."""
    ny, nx = change.shape
    out = np.empty(ny * nx)
    count = 0
    number = 0
    for y in range(0, max(ny - 4, 1), _BLOCK):
        for x in range(0, max(nx - 4, 1), _BLOCK):
            number += 1
            # the golden ratio spreads the chosen blocks evenly whatever the number of columns
            if step > 1 and (number * 0.6180339887) % 1.0 >= 1.0 / step:
                continue
            y1, x1 = min(ny, y + _BLOCK + 2), min(nx, x + _BLOCK + 2)
            if y1 - y < 3 or x1 - x < 3:
                continue
            part = _block_differences(change[y:y1, x:x1], level[y:y1, x:x1], False)
            out[count : count + len(part)] = part
            count += len(part)
    return out[:count]


@njit(cache=True, nogil=True)
def _cells(change: FloatArray, level: FloatArray, side: int) -> FloatArray:
    """Level, and variance of the second differences of ``change``, of each usable cell."""
    ny, nx = change.shape
    rows, columns = ny // side, nx // side
    out = np.empty((max(rows * columns, 1), 2))
    count = 0
    for j in range(rows):
        for i in range(columns):
            box = slice(j * side, (j + 1) * side), slice(i * side, (i + 1) * side)
            difference = _block_differences(change[box], level[box], True)
            if len(difference) < max(_FEWEST, (side - 2) ** 2 // 2):
                continue
            sigma = core_spread(difference)[1]
            if not sigma > 0 or np.mean(np.abs(difference) > 5 * sigma) > 0.02:
                continue
            values = level[box].copy().ravel()
            out[count, 0] = core_spread(values[np.isfinite(values)])[0]
            out[count, 1] = sigma**2
            count += 1
    return out[:count]
