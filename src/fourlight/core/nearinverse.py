"""Nearly the inverse of a system of `fourlight.core.stencil`: one short filter along rows and one along columns.

With samples at random places the system, scaled to a diagonal of ones, is nearly the same everywhere. The inverse of
its mean has a spectrum that is nearly a product of one function of each frequency, for so is that of a spline's squared
weights; only the smoothness is not. Both functions are smooth, so their filters are short, and filtering takes a
fraction of the time of a Fourier transform.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

__all__ = ["NearInverse", "near_inverse"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

TAPS = 8
"""Pixels that the filters reach to each side."""

FREQUENCIES = 32
"""Frequencies along each axis, from none to that of pixels in turns, at which the spectrum is taken."""

FAINTEST = 1e-3
"""Least value of the spectrum that is inverted."""

EVERY = 7
"""Rows from one to the next from which the mean is taken: not even, for samples lie in every second row of a frame."""

RIM = 3
"""Columns of zeros on both sides, as in `fourlight.core.stencil`."""


@dataclass(frozen=True, slots=True)
class NearInverse:
    """Symmetric and positive."""

    down: Float32
    across: Float32
    """(9,) weight of a pixel itself and of those 1 to 8 away."""
    scale: Float32
    """(ny, nx + 6) one over the root of the diagonal; zeros in the rim."""

    def __call__(self, r: Float32, z: Float32) -> float:
        """Write nearly the solution for a right-hand side, both wide, and return the product of the two."""
        return _filtered(self.down, self.across, self.scale, r, z)


def near_inverse(layers: Float32) -> NearInverse:
    """Near inverse of a system (ny, 16, nx + 6)."""
    scale = np.zeros((layers.shape[0], layers.shape[2]), dtype=np.float32)
    scale[:, RIM:-RIM] = 1 / np.sqrt(np.maximum(layers[:, 0, RIM:-RIM], np.float32(1e-12)))
    waves = np.cos(np.outer(np.linspace(0, np.pi, FREQUENCIES), np.arange(4)))
    waves[:, 1:] *= 2
    spectrum = waves @ _mean_couplings(layers, scale, EVERY) @ waves.T
    left, sizes, right = np.linalg.svd(1 / np.maximum(spectrum, FAINTEST))
    root = np.sqrt(sizes[0])
    return NearInverse(_filter(root * np.abs(left[:, 0])), _filter(root * np.abs(right[0])), scale)


def _filter(spectrum: Float64) -> Float32:
    """Weights of a short filter (9,) with nearly this spectrum, positive at every frequency."""
    away = np.arange(TAPS + 1)
    waves = np.cos(np.outer(np.linspace(0, np.pi, len(spectrum)), away))
    waves[:, 1:] *= 2
    found = np.linalg.lstsq(waves, spectrum, rcond=None)[0]
    lowest = float((waves @ found).min())
    found[0] += max(0.0, 0.3 * float(spectrum.min()) - lowest)
    return np.asarray(found, dtype=np.float32)


@njit(cache=True, nogil=True)
def _mean_couplings(layers: Float32, scale: Float32, every: int) -> Float64:
    """Mean of the scaled couplings (4, 4) by rows and columns apart."""
    ny, _, nx = layers.shape
    total = np.zeros((4, 4))
    room = np.empty(nx, dtype=np.float32)
    rows = 0
    for j in range(0, ny, every):
        rows += 1
        for dy in range(min(4, ny - j)):
            for dx in range(4):
                last = nx - dx
                _products(layers[j, 4 * dy + dx, :last], scale[j, :last], scale[j + dy, dx:], room[:last])
                total[dy, dx] += room[:last].sum()
    mean: Float64 = total / (rows * (nx - 2 * RIM))
    return mean


@njit(cache=True, nogil=True)
def _products(a: Float32, b: Float32, c: Float32, out: Float32) -> None:
    for i in range(out.size):
        out[i] = a[i] * b[i] * c[i]


@njit(cache=True, nogil=True)
def _across(row: Float32, h: Float32, out: Float32) -> None:
    """Filter a row that has eight more pixels on both sides."""
    h0, h1, h2, h3, h4, h5, h6, h7, h8 = h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], h[8]
    for i in range(out.size):
        k = np.uint64(i)
        first = h1 * (row[k + np.uint64(7)] + row[k + np.uint64(9)])
        first += h2 * (row[k + np.uint64(6)] + row[k + np.uint64(10)])
        first += h3 * (row[k + np.uint64(5)] + row[k + np.uint64(11)])
        first += h4 * (row[k + np.uint64(4)] + row[k + np.uint64(12)])
        second = h5 * (row[k + np.uint64(3)] + row[k + np.uint64(13)])
        second += h6 * (row[k + np.uint64(2)] + row[k + np.uint64(14)])
        second += h7 * (row[k + np.uint64(1)] + row[k + np.uint64(15)])
        second += h8 * (row[k] + row[k + np.uint64(16)])
        out[i] = h0 * row[k + np.uint64(8)] + (first + second)


@njit(cache=True, nogil=True)
def _add_two(
    out: Float32, a: Float32, b: Float32, c: Float32, d: Float32, near: np.float32, far: np.float32
) -> None:
    for i in range(out.size):
        out[i] += near * (a[i] + b[i]) + far * (c[i] + d[i])


@njit(cache=True, nogil=True)
def _scaled(out: Float32, scale: Float32, row: Float32) -> None:
    for i in range(out.size):
        out[i] = scale[i] * row[i]


@njit(cache=True, nogil=True)
def _scaled_by(out: Float32, row: Float32, factor: np.float32) -> None:
    for i in range(out.size):
        out[i] = factor * row[i]


@njit(cache=True, nogil=True)
def _ended(z: Float32, scale: Float32, r: Float32, dots: Float32) -> None:
    for i in range(z.size):
        z[i] *= scale[i]
    for i in range(z.size):
        dots[i] += z[i] * r[i]


@njit(cache=True, nogil=True)
def _filtered(down: Float32, across: Float32, scale: Float32, r: Float32, z: Float32) -> float:
    ny, nx = r.shape
    # Rows beyond the edges are zeros.
    rows = np.zeros((ny + 2 * TAPS, nx), dtype=np.float32)
    room = np.zeros(nx + 2 * TAPS, dtype=np.float32)
    dots = np.zeros(nx, dtype=np.float32)
    for j in range(ny):
        _scaled(room[TAPS : TAPS + nx], scale[j], r[j])
        _across(room, across, rows[TAPS + j])
    for j in range(ny):
        at = j + TAPS
        _scaled_by(z[j], rows[at], down[0])
        for k in range(1, TAPS, 2):
            _add_two(
                z[j], rows[at - k], rows[at + k], rows[at - k - 1], rows[at + k + 1], down[k], down[k + 1]
            )
        _ended(z[j], scale[j], r[j], dots)
    return float(dots.astype(np.float64).sum())
