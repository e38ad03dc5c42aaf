"""How much one sample scatters; stars, nebula and whole-number data do not bend the answer."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.spread import core_spread

__all__ = [
    "FEWEST",
    "SECOND_DIFFERENCE",
    "faint_differences",
    "prepared",
    "quantisation_step",
    "sample_noise",
]

FloatArray = npt.NDArray[np.float64]
Array = npt.NDArray[np.floating]

SECOND_DIFFERENCE = 1.5
"""Variance of ``x - (left + right) / 2`` over that of one sample: 1 + 2 / 4."""
_STAR_CUT = 1.5
"""Light of the surroundings, in sigma of their mean, from which a star is suspected. Low: faint stars count."""
_BLOCK = 32
"""Side in samples of the blocks within which light is compared with its surroundings."""
_MOST = 200_000
"""Samples that are looked at: the error of the answer is then about 0.2 %."""
FEWEST = 50


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
    samples = prepared(plane, mask)
    step = max(1, round(samples.size / _MOST))
    difference = _sampled_differences(samples, step)
    if len(difference) < FEWEST:
        return float("nan")
    return float(core_spread(difference)[1] / np.sqrt(SECOND_DIFFERENCE))


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


def prepared(plane: Array, mask: npt.NDArray[np.bool_] | None) -> FloatArray:
    """Copy of a plane as float64 with NaN where masked; ValueError unless it has two axes."""
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
def faint_differences(change: FloatArray, level: FloatArray, twice: bool) -> FloatArray:
    """Second differences of ``change`` along x (ny - 2, nx - 2), NaN where the rows above and below show a star.

    Judged by the level, and with ``twice`` also by the change itself.
    """
    ny, nx = change.shape
    keep = np.ones((ny - 2, nx - 2), dtype=np.bool_)
    around = np.empty((ny - 2, nx - 2))
    _neighbour_rows(level, around)
    _unlike(around, keep)
    if twice:
        _neighbour_rows(change, around)
        _unlike(around, keep)
    out = np.full((ny - 2, nx - 2), np.nan)
    for y in range(1, ny - 1):
        for x in range(1, nx - 1):
            if keep[y - 1, x - 1]:
                out[y - 1, x - 1] = change[y, x] - (change[y, x - 1] + change[y, x + 1]) / 2
    return out


@njit(cache=True, nogil=True)
def _sampled_differences(samples: FloatArray, step: int) -> FloatArray:
    """Differences of every ``step``-th block of the frame, in one array."""
    ny, nx = samples.shape
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
            block = samples[y:y1, x:x1]
            for value in faint_differences(block, block, False).ravel():
                if np.isfinite(value):
                    out[count] = value
                    count += 1
    return out[:count]
