"""Symmetric systems on the pixel grid whose rows reach three pixels: the normal equations of a cubic spline.

Row (j, i) couples pixel (j, i) with those up to three away, by products of one factor along columns and one along rows
that do not ask which of two pixels comes first. So (j, i) and (j + dy, i + dx) are coupled as (j, i + dx) and
(j + dy, i), and 16 of the 49 couplings are kept: ``layers[j, 4 * dy + dx]`` for dy and dx from 0 to 3.

Arrays that are `wide` have `RIM` more columns on both sides, which hold zeros.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.nearinverse import NearInverse

__all__ = ["LAYERS", "RIM", "add_smoothness", "applied", "solve", "wide"]

Float32 = npt.NDArray[np.float32]

LAYERS = 16
RIM = 3
"""Pixels that couplings reach."""


def wide(image: Float32) -> Float32:
    """A copy (..., nx + 6) of images, zeros on both sides."""
    out = np.zeros((*image.shape[:-1], image.shape[-1] + 2 * RIM), dtype=np.float32)
    out[..., RIM:-RIM] = image
    return out


@njit(cache=True, nogil=True)
def _add_row(out: Float32, x: Float32, a0: Float32, a1: Float32, a2: Float32, a3: Float32) -> None:
    """Add to the pixels of a row what those of another give them, by the couplings of the upper one of both."""
    # Unsigned numbers spare compiled code the question whether an index counts from the end.
    one, two, three = np.uint64(1), np.uint64(2), np.uint64(3)
    for i in range(out.size - 6):
        k = np.uint64(i)
        c = k + three
        total = a0[c] * x[c]
        total += a1[c] * x[c + one] + a1[c - one] * x[c - one]
        total += a2[c] * x[c + two] + a2[c - two] * x[c - two]
        total += a3[c] * x[c + three] + a3[k] * x[k]
        out[c] += total


@njit(cache=True, nogil=True)
def applied(layers: Float32, x: Float32, out: Float32) -> Float32:
    """``out = A x`` for ``layers`` (ny, 16, nx + 6) and some x (n, ny, nx + 6), and the product of each with A x.

    Couplings beyond the edge do not count.
    """
    ny = layers.shape[0]
    dots = np.zeros((x.shape[0], x.shape[2]), dtype=np.float32)
    # All x in turns: fetching the couplings takes longer than what is done with them.
    for j in range(ny):
        out[:, j] = 0.0
        for other in range(max(0, j - 3), min(ny, j + 4)):
            a = layers[min(j, other), 4 * abs(other - j) : 4 * abs(other - j) + 4]
            for k in range(x.shape[0]):
                _add_row(out[k, j], x[k, other], a[0], a[1], a[2], a[3])
        for k in range(x.shape[0]):
            _add_products(dots[k], x[k, j], out[k, j])
    lengths: Float32 = dots.sum(axis=1)
    return lengths


@njit(cache=True, nogil=True)
def _add_products(total: Float32, one: Float32, other: Float32) -> None:
    for i in range(total.size):
        total[i] += one[i] * other[i]


@njit(cache=True, nogil=True)
def _add(out: Float32, strength: Float32, factor: float) -> None:
    size = np.float32(factor)
    for i in range(out.size):
        out[i] += size * strength[i]


@njit(cache=True, nogil=True)
def _add_bending(layers: Float32, strength: Float32, j: int) -> None:
    """Squared second differences along a row, then along columns, centred in row j."""
    first, last = RIM, layers.shape[2] - RIM
    row, inner = layers[j], strength[1:-1]
    _add(row[0, first : last - 2], inner, 1.0)
    _add(row[0, first + 1 : last - 1], inner, 4.0)
    _add(row[0, first + 2 : last], inner, 1.0)
    _add(row[1, first : last - 2], inner, -2.0)
    _add(row[1, first + 1 : last - 1], inner, -2.0)
    _add(row[2, first : last - 2], inner, 1.0)
    for dy, layer, factor in (
        (-1, 0, 1.0),
        (0, 0, 4.0),
        (1, 0, 1.0),
        (-1, 4, -2.0),
        (0, 4, -2.0),
        (-1, 8, 1.0),
    ):
        _add(layers[j + dy, layer, first:last], strength, factor)


@njit(cache=True, nogil=True)
def _add_twist(layers: Float32, strength: Float32, j: int) -> None:
    """Twice the squared mixed differences between rows j and j + 1; ``strength`` (nx - 1,)."""
    first, last = RIM, layers.shape[2] - RIM - 1
    for dy in range(2):
        _add(layers[j + dy, 0, first:last], strength, 2.0)
        _add(layers[j + dy, 0, first + 1 : last + 1], strength, 2.0)
        _add(layers[j + dy, 1, first:last], strength, -2.0)
    _add(layers[j, 4, first:last], strength, -2.0)
    _add(layers[j, 4, first + 1 : last + 1], strength, -2.0)
    _add(layers[j, 5, first:last], strength, 2.0)


@njit(cache=True, nogil=True)
def add_smoothness(layers: Float32, strength: Float32) -> None:
    """Add squared second differences, weighed by ``strength`` (ny, nx) where they are centred, in place.

    They are those of a bent thin plate, ``xx^2 + 2 xy^2 + yy^2``; mixed ones stand between four pixels and have
    their mean strength. For even strength that is the squared five-point Laplacian.
    """
    ny = strength.shape[0]
    for j in range(1, ny - 1):
        _add_bending(layers, strength[j], j)
    for j in range(ny - 1):
        both = np.float32(0.25) * (strength[j] + strength[j + 1])
        _add_twist(layers, both[1:] + both[:-1], j)


@njit(cache=True, nogil=True)
def _go(x: Float32, r: Float32, p: Float32, product: Float32, share: float) -> None:
    """Take a share of a step, on flat arrays."""
    part = np.float32(share)
    for i in range(x.size):
        x[i] += part * p[i]
    for i in range(x.size):
        r[i] -= part * product[i]


@njit(cache=True, nogil=True)
def _turn(p: Float32, z: Float32, factor: float) -> None:
    """The next direction, on flat arrays."""
    part = np.float32(factor)
    for i in range(p.size):
        p[i] = z[i] + part * p[i]


def solve(
    layers: Float32, right: Float32, start: Float32, improved: NearInverse, *,
    enough: Sequence[float], most: Sequence[int],
) -> tuple[Float32, list[int]]:  # fmt: skip
    """Solve ``A x = right`` for some right-hand sides together by preconditioned conjugate gradients.

    Parameters
    ----------
    layers : (ny, 16, nx + 6) float32
    right, start : (n, ny, nx) float32
        Right-hand sides and where to start.
    improved
        Nearly the inverse.
    enough : (n,) floats
        Product of each residual with what its near inverse makes of it at which to stop. Where weights are one over
        variances, noise alone makes one per pixel of it.
    most : (n,) ints
        Most steps of each.

    Returns
    -------
    (n, ny, nx) float32, and the number of steps of each.
    """
    x, r, steps = wide(start), wide(right), [0] * len(right)
    product, z = np.zeros_like(x), np.zeros_like(x)
    applied(layers, x, product)
    r -= product
    power = [improved(r[k], z[k]) for k in range(len(x))]
    p = z.copy()
    while left := [k for k in range(len(x)) if power[k] > enough[k] and steps[k] < most[k]]:
        part = slice(left[0], left[-1] + 1)
        lengths = applied(layers, p[part], product[part])
        for k in left:
            steps[k] += 1
            _go(
                x[k].ravel(),
                r[k].ravel(),
                p[k].ravel(),
                product[k].ravel(),
                power[k] / float(lengths[k - left[0]]),
            )
            if steps[k] < most[k]:
                power[k], before = improved(r[k], z[k]), power[k]
                _turn(p[k].ravel(), z[k].ravel(), power[k] / before)
    return x[..., RIM:-RIM], steps
