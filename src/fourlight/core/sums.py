"""From the sums that drops are added to, to the layers of a plane."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.lanes import LANES

__all__ = ["finish", "inverse_weights"]

Float32 = npt.NDArray[np.float32]

MOST_CORRELATED = 2.0
"""Largest variance of a single pixel over VAR that counts: pixels beside holes have next to no VAR, and would
outweigh all others."""

SLIVER = 0.001
"""Effective samples under which a pixel is not covered: what the corner of a drop says of it has hardly any VAR."""

LAYERS = 7
RATIO = LAYERS * LANES
"""Where, in the results for some pixels of a row, the variance of single pixels over VAR begins."""


@njit(cache=True, nogil=True)
def _add_weights(row: Float32, weights: Float32) -> None:
    for i in range(weights.size):
        weights[i] += row[np.uintp(4 * i + 1)]


@njit(cache=True, nogil=True, error_model="numpy")
def _invert(first: Float32, second: Float32, half: Float32, lane: int, out: Float32) -> None:
    for i in range(half.size):
        both = first[i] + second[i]
        out[np.uintp(4 * i + lane)] = np.float32(1) / both if both > 0 else np.float32(0)
        out[np.uintp(4 * i + lane + 1)] = np.float32(1) / half[i] if half[i] > 0 else np.float32(0)


@njit(cache=True, nogil=True)
def inverse_weights(planes: Float32, own: int, half: int, inverse: Float32) -> None:
    """One over the sums of weights of four stacks that samples of one half of a plane are part of.

    Parameters
    ----------
    planes : (n, 2, ph, pw, 4) float32
        Sums of both halves of the planes that are put together, see `fourlight.core.drizzle.deposit_values`.
    own, half : int
        Which plane and which half of it.
    inverse : (ph, pw, 4) float32, written
        Of the plane, its half, the planes together, and their half; 0 where there is no weight.
    """
    n, _, ph, pw, _ = planes.shape
    weights = np.empty((2, pw), dtype=np.float32)
    for j in range(ph):
        for lane, first, last in ((0, own, own + 1), (2, 0, n)):
            weights[:] = 0.0
            for plane in range(first, last):
                for h in range(2):
                    _add_weights(planes[plane, h, j].ravel(), weights[h])
            _invert(weights[0], weights[1], weights[half], lane, inverse[j].ravel())


@njit(cache=True, nogil=True, error_model="numpy")
def _layers(
    a: Float32, b: Float32, noise_a: Float32, noise_b: Float32, lane: int, claim: np.float32, out: Float32
) -> None:
    """Layers of some pixels of a row, ``LANES`` each, and the variance of single pixels over VAR."""
    nan, none, one, two, three = np.float32(np.nan), np.float32(0), np.uintp(1), np.uintp(2), np.uintp(3)
    for i in range(a.size // 4):
        k = np.uintp(4 * i)
        m = k + np.uintp(lane)
        weight, power = a[k + one] + b[k + one], a[k + three] + b[k + three]
        number = weight * weight / (a[k + two] + b[k + two])
        number_a, number_b = a[k + one] * a[k + one] / a[k + two], b[k + one] * b[k + one] / b[k + two]
        variance = noise_a[m] * claim + noise_b[m] * claim if number >= SLIVER else nan
        out[i] = (a[k] + b[k]) / weight if number >= SLIVER else nan
        out[LANES + i] = variance
        out[2 * LANES + i] = number if number >= SLIVER else none
        out[3 * LANES + i] = a[k] / a[k + one] if number_a >= SLIVER else nan
        out[4 * LANES + i] = noise_a[m + one] * claim if number_a >= SLIVER else nan
        out[5 * LANES + i] = b[k] / b[k + one] if number_b >= SLIVER else nan
        out[6 * LANES + i] = noise_b[m + one] * claim if number_b >= SLIVER else nan
        out[RATIO + i] = power / (weight * weight) / variance


@njit(cache=True, nogil=True)
def finish(
    sums: Float32, power: Float32, lane: int, claim: float, rim: int, layers: Float32
) -> tuple[float, int]:
    """Layers of a plane, and how the noise of its single pixels compares with VAR.

    Parameters
    ----------
    sums : (2, ph, pw, 4) float32
        Of both halves, see `fourlight.core.drizzle.deposit_values`.
    power : (2, ph, pw, 4) float32
        Noise power of both, see `fourlight.core.drizzle.deposit_variance`.
    lane : int
        Where in ``power`` that of the plane stands, followed by that of its half.
    claim : float
        Factor on the noise power.
    rim : int
        Rows and columns that the sums have more on each side.
    layers : (7, ny, nx) float32, written
        Value, variance and effective samples; value and variance of the first half, and of the second. NaN (samples:
        0) where less than `SLIVER` of a sample reaches.

    Returns
    -------
    Sum over pixels of the variance of single pixels over VAR, at most `MOST_CORRELATED` each, and their number.
    """
    _, ny, nx = layers.shape
    out = np.empty((LAYERS + 1) * LANES, dtype=np.float32)
    total, number = 0.0, 0
    for j in range(ny):
        for first in range(0, nx, LANES):
            count = min(LANES, nx - first)
            part = slice(4 * (rim + first), 4 * (rim + first + count))
            _layers(
                sums[0, rim + j].ravel()[part], sums[1, rim + j].ravel()[part], power[0, rim + j].ravel()[part],
                power[1, rim + j].ravel()[part], lane, np.float32(claim), out,
            )  # fmt: skip
            for layer in range(LAYERS):
                for i in range(count):
                    layers[layer, j, first + i] = out[layer * LANES + i]
            for i in range(count):
                if np.isfinite(out[RATIO + i]):
                    total += min(out[RATIO + i], MOST_CORRELATED)
                    number += 1
    return total, number
