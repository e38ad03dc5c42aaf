"""Symmetric systems on the pixel grid whose rows reach three pixels: the normal equations of a cubic spline.

Row (j, i) couples pixel (j, i) with those up to three away. By symmetry 25 of the 49 couplings are kept: layer 0 is
the pixel itself, layers 1-3 the next ones along the row, and layers 4-24 the seven below for each of three rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy import fft

__all__ = ["LAYERS", "Preconditioner", "add_smoothness", "applied", "preconditioner", "solve"]

Float32 = npt.NDArray[np.float32]

LAYERS = 25


@njit(cache=True, nogil=True)
def _coupled(a: Float32, one: Float32, other: Float32, to_one: Float32, to_other: Float32) -> None:
    """Add what two rows of pixels, coupled by ``a``, give each other; all of one length."""
    for i in range(a.size):
        to_one[i] += a[i] * other[i]
    for i in range(a.size):
        to_other[i] += a[i] * one[i]


@njit(cache=True, nogil=True)
def applied(layers: Float32, x: Float32, out: Float32) -> None:
    """``out = A x`` for ``layers`` (25, ny, nx) and ``x`` (ny, nx); couplings beyond the edge do not count."""
    _, ny, nx = layers.shape
    np.multiply(layers[0], x, out)
    # Row by row, so that the rows of x and out that belong together stay in the cache.
    for j in range(ny):
        for d in range(1, 4):
            _coupled(layers[d, j, : nx - d], x[j, : nx - d], x[j, d:], out[j, : nx - d], out[j, d:])
        for dy in range(1, min(4, ny - j)):
            for dx in range(-3, 4):
                first, last = max(0, -dx), min(nx, nx - dx)
                _coupled(
                    layers[4 + (dy - 1) * 7 + 3 + dx, j, first:last],
                    x[j, first:last], x[j + dy, first + dx : last + dx],
                    out[j, first:last], out[j + dy, first + dx : last + dx],
                )  # fmt: skip


@njit(cache=True, nogil=True)
def add_smoothness(layers: Float32, strength: Float32) -> None:
    """Add the squared five-point Laplacian, weighed by ``strength`` (ny, nx) where it is centred, in place.

    Pixels on the edge have no Laplacian of their own.
    """
    _, ny, nx = layers.shape
    dy, dx, factor = (0, -1, 0, 0, 1), (0, 0, -1, 1, 0), (4.0, -1.0, -1.0, -1.0, -1.0)
    for j in range(1, ny - 1):
        for i in range(1, nx - 1):
            for a in range(5):
                for b in range(5):
                    v, u = dy[b] - dy[a], dx[b] - dx[a]
                    if v < 0 or (v == 0 and u < 0):
                        continue
                    layer = u if v == 0 else 4 + (v - 1) * 7 + 3 + u
                    layers[layer, j + dy[a], i + dx[a]] += np.float32(factor[a] * factor[b] * strength[j, i])


@dataclass(frozen=True, slots=True)
class Preconditioner:
    """Nearly the inverse of a system, quick to apply."""

    spectrum: Float32
    """Inverse spectrum of the mean stencil after scaling."""
    shape: tuple[int, int]
    """Padded size of the transforms."""
    scale: Float32
    """(ny, nx) one over the root of the diagonal."""

    def __call__(self, r: Float32) -> Float32:
        """Nearly the solution for a right-hand side (ny, nx)."""
        ny, nx = r.shape
        found = fft.irfft2(fft.rfft2(r * self.scale, s=self.shape) * self.spectrum, s=self.shape)
        return np.asarray(self.scale * found[:ny, :nx], dtype=np.float32)


def preconditioner(layers: Float32) -> Preconditioner:
    """Scaling to a diagonal of ones, and the inverse of the mean stencil of what that leaves.

    With samples at random places the scaled system is nearly the same everywhere; where weights differ (fainter
    corners, bright stars, rims without samples) the scaling takes that up.
    """
    _, ny, nx = layers.shape
    shape = (fft.next_fast_len(ny + 8, real=True), fft.next_fast_len(nx + 8, real=True))
    scale = (1 / np.sqrt(np.maximum(layers[0], np.float32(1e-12)))).astype(np.float32)
    kernel = np.zeros(shape)
    kernel[0, 0] = 1.0
    for layer, (dy, dx) in enumerate(_steps(), start=1):
        first, last = max(0, -dx), min(nx, nx - dx)
        near, far = scale[: ny - dy, first:last], scale[dy:, first + dx : last + dx]
        mean = float(np.mean(layers[layer, : ny - dy, first:last] * near * far, dtype=np.float64))
        kernel[dy, dx] = kernel[-dy, -dx] = mean
    spectrum = fft.rfft2(kernel).real
    return Preconditioner((1 / np.maximum(spectrum, 1e-3)).astype(np.float32), shape, scale)


def _steps() -> list[tuple[int, int]]:
    """Rows down and columns right to the neighbour of each layer but the first."""
    return [(0, d) for d in range(1, 4)] + [(dy, dx) for dy in range(1, 4) for dx in range(-3, 4)]


def solve(
    layers: Float32, right: Float32, start: Float32, improved: Preconditioner, *,
    tolerance: float = 1e-3, most: int = 30,
) -> tuple[Float32, int]:  # fmt: skip
    """Solve ``A x = right`` by preconditioned conjugate gradients.

    Parameters
    ----------
    layers : (25, ny, nx) float32
    right, start : (ny, nx) float32
        Right-hand side and where to start.
    improved
        From `preconditioner`.
    tolerance : float
        Residual over right-hand side, both in the norm of the preconditioner, at which to stop.
    most : int
        Most steps.

    Returns
    -------
    (ny, nx) float32, and the number of steps.
    """
    x, product = start.copy(), np.empty_like(right)
    applied(layers, x, product)
    r = right - product
    z = improved(r)
    p, power = z.copy(), float(np.vdot(r, z))
    target = tolerance**2 * float(np.vdot(right, improved(right)))
    for step in range(most):
        if power <= target:
            return x, step
        applied(layers, p, product)
        share = np.float32(power / float(np.vdot(p, product)))
        x += share * p
        r -= share * product
        z = improved(r)
        power, before = float(np.vdot(r, z)), power
        p = z + np.float32(power / before) * p
    return x, most
