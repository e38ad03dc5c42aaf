"""What samples give to areas: their weight and their noise.

Both change slowly, so samples of a fine cell are laid down as if they stood in its middle, for a whole row of cells at
once.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core import bspline
from fourlight.core.lanes import multiply
from fourlight.core.lowered import correct, list_lowered

__all__ = ["noise_power", "settled"]

Float32 = npt.NDArray[np.float32]
Int64 = npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def _middles(kinds: int) -> Float32:
    """Spline weights at the middles of fine cells (fine, 4), then their slopes."""
    fine = int(np.sqrt(kinds) + 0.5)
    out = np.empty((2 * fine, 4), dtype=np.float32)
    for k in range(fine):
        at = (k + 0.5) / fine
        weights = bspline.weights(at)
        for u in range(4):
            out[k, u] = weights[u]
        out[fine + k, 0], out[fine + k, 1] = -0.5 * (1 - at) ** 2, 1.5 * at**2 - 2 * at
        out[fine + k, 3], out[fine + k, 2] = 0.5 * at**2, 2 * (1 - at) - 1.5 * (1 - at) ** 2
    return out


@njit(cache=True, nogil=True)
def _mixed(
    b: Float32, first: Float32, second: Float32, third: Float32, fourth: Float32, out: Float32
) -> None:
    b0, b1, b2, b3 = b[0], b[1], b[2], b[3]
    for i in range(out.size):
        out[i] = (b0 * first[i] + b1 * second[i]) + (b2 * third[i] + b3 * fourth[i])


@njit(cache=True, nogil=True)
def _columns(image: Float32, j: int, b: Float32, out: Float32) -> None:
    _mixed(b, image[j - 1], image[j], image[j + 1], image[j + 2], out)


@njit(cache=True, nogil=True)
def _rows(b: Float32, row: Float32, out: Float32) -> None:
    n = out.size
    _mixed(b, row[:n], row[1 : n + 1], row[2 : n + 2], row[3:], out)


@njit(cache=True, nogil=True)
def _add_smeared(b: Float32, values: Float32, out: Float32) -> None:
    """Add what values (n,) give to the n + 3 pixels around them; three more values on both sides are zeros."""
    b0, b1, b2, b3 = b[0], b[1], b[2], b[3]
    for i in range(out.size):
        k = np.uint64(i)
        near = b1 * values[k + np.uint64(2)] + b2 * values[k + np.uint64(1)]
        out[k] += (b0 * values[k + np.uint64(3)] + b3 * values[k]) + near


@njit(cache=True, nogil=True)
def _add_times(out: Float32, values: Float32, factor: np.float32) -> None:
    for i in range(out.size):
        out[i] += factor * values[i]


@njit(cache=True, nogil=True)
def _laid(values: Float32, j: int, middles: Float32, room: Float32, image: Float32) -> None:
    """Add values (fine^2, pw + 3) in the middles of the cells of row j to the pixels around them.

    The values of column 1 are the fourth ones.
    """
    fine = middles.shape[0] // 2
    for fy in range(fine):
        room[:] = 0.0
        for fx in range(fine):
            _add_smeared(middles[fx], values[fy * fine + fx], room)
        for v in range(4):
            _add_times(image[j - 1 + v], room, middles[fy, v])


@njit(cache=True, nogil=True, error_model="numpy")
def _mean(weights: Float32, moments: Float32) -> None:
    """Turn sums of weighted positions into mean ones."""
    for i in range(weights.size):
        moments[i] = moments[i] / weights[i] if weights[i] > 0 else np.float32(0.5)


@njit(cache=True, nogil=True)
def _shares(x: Float32, y: Float32, kept: Float32, below: Float32, out: Float32) -> None:
    """Share of the pixel nearest to each place; ``kept`` and ``below`` have one value more."""
    half, one = np.float32(0.5), np.uint64(1)
    for i in range(out.size):
        k = np.uint64(i)
        upper = kept[k] if x[i] < half else kept[k + one]
        lower = below[k] if x[i] < half else below[k + one]
        out[i] = upper if y[i] < half else lower


@njit(cache=True, nogil=True)
def settled(cells: Float32, kept: Float32, sums: Float32) -> None:
    """Turn sums of weighted positions into mean positions, and squared weights into shares that are kept, in place.

    Parameters
    ----------
    cells : (ph, fine^2, 6, pw) float32
        From `fourlight.core.lsq.gathered`. Those that reach beyond the tile are left as they are.
    kept : (ph, pw) float32
        Share of its weight that a sample nearest to a pixel keeps in the fit, see `fourlight.core.lsq.kept_share`.
    sums : (3, ph, pw) float32
        The weights around each pixel, what of them is kept, and squared weights are added, spread by the spline's
        weights.
    """
    ph, kinds, _, pw = cells.shape
    middles, room = _middles(kinds), np.empty(pw, dtype=np.float32)
    values = np.zeros((3, kinds, pw + 3), dtype=np.float32)
    for j in range(1, ph - 2):
        for c in range(kinds):
            cell, last = cells[j, c], pw - 2
            weight, x, y, share = cell[0, 1:last], cell[2, 1:last], cell[3, 1:last], cell[5, 1:last]
            values[0, c, 3:-3] = weight
            values[2, c, 3:-3] = share
            _mean(weight, x)
            _mean(weight, y)
            _shares(x, y, kept[j, 1:], kept[j + 1, 1:], share)
            multiply(weight, share, values[1, c, 3:-3])
        for k in range(3):
            _laid(values[k], j, middles, room, sums[k])


@njit(cache=True, nogil=True)
def _found(x: Float32, y: Float32, at: tuple[float, float], reach: Float32, out: Float32) -> None:
    """A spline at places near ``at``, from its values there and its slopes (3, n)."""
    x0, y0 = np.float32(at[0]), np.float32(at[1])
    value, right, down = reach[0], reach[1], reach[2]
    for i in range(out.size):
        out[i] = value[i] + ((x[i] - x0) * right[i] + (y[i] - y0) * down[i])


@njit(cache=True, nogil=True)
def _add_power(found: Float32, given: Float32, share: Float32, noise: Float32, out: Float32) -> None:
    for i in range(out.size):
        whole = given[i] + share[i] * (found[i] - given[i])
        out[i] += whole * whole * noise[i]


@njit(cache=True, nogil=True)
def _reach_at(
    image: Float32, j: int, kind: tuple[int, int], middles: Float32, rooms: Float32, out: Float32
) -> None:
    """Values of a spline in the middles of the cells of row j of one kind, and its slopes along rows and columns."""
    fy, fx = kind
    fine = middles.shape[0] // 2
    if fx == 0:
        _columns(image, j, middles[fy], rooms[0])
        _columns(image, j, middles[fine + fy], rooms[1])
    _rows(middles[fx], rooms[0], out[0])
    _rows(middles[fine + fx], rooms[0], out[1])
    _rows(middles[fx], rooms[1], out[2])


@njit(cache=True, nogil=True)
def noise_power(
    cells: Float32, kept: Float32, parts: Int64, reach: Float32, given: Float32, power: Float32
) -> None:
    """Lay down the noise power of settled samples where they lie; ``power`` (ph, pw) is added to.

    ``cells`` (n, ph, fine^2, 6, pw) and ``kept`` (n, ph, pw) hold all parts of the samples, of which those with the
    numbers ``parts`` count.

    ``reach`` and ``given`` (ph, pw) hold spline coefficients u and g: a sample of weight w at x adds
    ``w (k u(x) + (1 - k) g(x))`` times its value to the sum of the whole plane, k the share of its weight that it
    keeps in the fit. The square of that times its variance v is its noise power in sums over areas. Without lowered
    weights u is the solution of ``A u = 1``.
    """
    _, ph, kinds, _, pw = cells.shape
    middles, rooms, n = _middles(kinds), np.empty((3, pw), dtype=np.float32), pw - 3
    fine, last = middles.shape[0] // 2, pw - 2
    reached, back, found = (
        np.empty((3, n), dtype=np.float32),
        np.empty(n, dtype=np.float32),
        np.empty(n, dtype=np.float32),
    )
    values = np.zeros((kinds, pw + 3), dtype=np.float32)
    lowered = np.empty((len(kept), pw), dtype=np.int64)
    for j in range(1, ph - 2):
        values[:] = 0.0
        for part in parts:
            list_lowered(kept[part], j, lowered[part])
        for c in range(kinds):
            fy, fx = c // fine, c % fine
            _reach_at(reach, j, (fy, fx), middles, rooms, reached)
            if fx == 0:
                _columns(given, j, middles[fy], rooms[2])
            _rows(middles[fx], rooms[2], back)
            at = ((fx + 0.5) / fine, (fy + 0.5) / fine)
            for part in parts:
                cell = cells[part, j, c]
                _found(cell[2, 1:last], cell[3, 1:last], at, reached, found)
                _add_power(found, back, cell[5, 1:last], cell[4, 1:last], values[c, 3:-3])
                correct(cell, reach, given, j, lowered[part], found, back, values[c, 3:-3])
        _laid(values, j, middles, rooms[0], power)
