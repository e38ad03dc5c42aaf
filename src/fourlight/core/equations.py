"""Normal equations of a spline from fine cells: what the samples of each pair of pixels say of both."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.lanes import multiply
from fourlight.core.stencil import RIM

__all__ = ["assembled"]

Float32 = npt.NDArray[np.float32]

N = 128
"""Cells of one kind that are worked on at once: what they need stays in the fastest caches."""

PAIRS = 10
"""Pairs of the four weights that reach a place, in the order (0, 0), (0, 1), ... (3, 3)."""

FIRST, APART = np.array([(u, u2 - u) for u in range(4) for u2 in range(u, 4)]).T.copy()
"""First weight of each pair, and how far the other one is from it."""

KIND = (PAIRS + 4) * N
"""From one kind of cells to the next among their factors: of the pairs, then of single weights."""


@njit(cache=True, nogil=True)
def _weights(place: Float32, out: Float32) -> None:
    """Spline weights, N apart, at the places of cells; see `fourlight.core.bspline.weights`."""
    one, half, sixth, most = np.float32(1), np.float32(0.5), np.float32(1 / 6), np.float32(2 / 3)
    for i in range(place.size):
        t = place[i]
        u = one - t
        out[i] = u * u * u * sixth
        out[N + i] = most - t * t * (one - half * t)
        out[2 * N + i] = most - u * u * (one - half * u)
        out[3 * N + i] = t * t * t * sixth


@njit(cache=True, nogil=True)
def _pairs(b: Float32, factor: Float32, out: Float32) -> None:
    """Products of pairs of weights, times a factor, N apart."""
    for i in range(factor.size):
        b0, b1, b2, b3 = b[i], b[N + i], b[2 * N + i], b[3 * N + i]
        c1, c2, c3 = b1 * factor[i], b2 * factor[i], b3 * factor[i]
        out[i] = b0 * (b0 * factor[i])
        out[N + i] = b0 * c1
        out[2 * N + i] = b0 * c2
        out[3 * N + i] = b0 * c3
        out[4 * N + i] = b1 * c1
        out[5 * N + i] = b1 * c2
        out[6 * N + i] = b1 * c3
        out[7 * N + i] = b2 * c2
        out[8 * N + i] = b2 * c3
        out[9 * N + i] = b3 * c3


@njit(cache=True, nogil=True)
def _times(b: Float32, factor: Float32) -> None:
    for i in range(factor.size):
        b[i] *= factor[i]
        b[N + i] *= factor[i]
        b[2 * N + i] *= factor[i]
        b[3 * N + i] *= factor[i]


@njit(cache=True, nogil=True)
def _add_four(out: Float32, down: Float32, across: Float32) -> None:
    """Add the products of two factors, summed over four kinds of cells."""
    for i in range(out.size):
        first = down[i] * across[i] + down[KIND + i] * across[KIND + i]
        second = down[2 * KIND + i] * across[2 * KIND + i] + down[3 * KIND + i] * across[3 * KIND + i]
        out[i] += first + second


@njit(cache=True, nogil=True)
def _add_nine(out: Float32, down: Float32, across: Float32) -> None:
    """Add the products of two factors, summed over nine kinds of cells."""
    for i in range(out.size):
        first = down[i] * across[i] + down[KIND + i] * across[KIND + i]
        second = down[2 * KIND + i] * across[2 * KIND + i] + down[3 * KIND + i] * across[3 * KIND + i]
        third = down[4 * KIND + i] * across[4 * KIND + i] + down[5 * KIND + i] * across[5 * KIND + i]
        fourth = down[6 * KIND + i] * across[6 * KIND + i] + down[7 * KIND + i] * across[7 * KIND + i]
        out[i] += (first + second) + (third + fourth) + down[8 * KIND + i] * across[8 * KIND + i]


@njit(cache=True, nogil=True)
def _factors(cell: Float32, i: int, room: Float32, down: Float32, across: Float32) -> None:
    """Factors along columns (with weight, then with value) and along rows, of cells of one kind from column i on."""
    last = i + room.size
    weights, rows = down[PAIRS * N :], across[PAIRS * N :]
    _weights(cell[2, i:last], rows)
    room[:] = 1.0
    _pairs(rows, room, across)
    _weights(cell[3, i:last], weights)
    multiply(cell[0, i:last], cell[5, i:last], room)
    _pairs(weights, room, down)
    multiply(cell[1, i:last], cell[5, i:last], room)
    _times(weights, room)


@njit(cache=True, nogil=True)
def _add(out: Float32, down: Float32, across: Float32) -> None:
    if down.size > 4 * KIND:
        _add_nine(out, down, across)
    else:
        _add_four(out, down, across)


@njit(cache=True, nogil=True)
def _lay(layers: Float32, right: Float32, j: int, i: int, n: int, down: Float32, across: Float32) -> None:
    """Add factors of cells beyond pixel (j, i), and of the next ones along the row, to the equations they reach."""
    for a in range(PAIRS):
        row = layers[j - 1 + FIRST[a]]
        for b in range(PAIRS):
            at = i - 1 + RIM + FIRST[b]
            _add(row[4 * APART[a] + APART[b], at : at + n], down[a * N :], across[b * N :])
    for v in range(4):
        for u in range(4):
            at = i - 1 + u
            _add(right[j - 1 + v, at : at + n], down[(PAIRS + v) * N :], across[(PAIRS + u) * N :])


@njit(cache=True, nogil=True)
def assembled(cells: Float32, layers: Float32, right: Float32) -> None:
    """Add fine cells to normal equations.

    Parameters
    ----------
    cells : (ph, fine^2, 6, pw) float32
        Settled ones, see `fourlight.core.reach.settled`; ``fine`` is 2 or 3. Those that reach beyond the tile do not
        count.
    layers : (ph, 16, pw + 6) float32
        See `fourlight.core.stencil`.
    right : (ph, pw) float32
        Right-hand side.
    """
    ph, kinds, _, pw = cells.shape
    room = np.empty(N, dtype=np.float32)
    down, across = np.empty(kinds * KIND, dtype=np.float32), np.empty(kinds * KIND, dtype=np.float32)
    for j in range(1, ph - 2):
        for i in range(1, pw - 2, N):
            n = min(N, pw - 2 - i)
            for c in range(kinds):
                _factors(cells[j, c], i, room[:n], down[c * KIND :], across[c * KIND :])
            _lay(layers, right, j, i, n, down, across)
