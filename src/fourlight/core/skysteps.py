"""Steps of light between places of a field, and how likely they are under a sky (see `fourlight.core.skyslope`).

A step d between two cells, less that of the sky, follows Student's t about nothing, in all channels at once, with the
variance that noise gives it and (kappa h)^2, where h is the light of the darker cell above the sky and kappa how uneven
light of the object is: an edge then does not count as what is usual beside it. Light below the sky costs as much as
noise makes it unlikely.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize

__all__ = ["Steps", "blocks_of", "steps_between"]

Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]
Int64 = npt.NDArray[np.int64]

FREEDOM = 0.5
"""Degrees of freedom of Student's t: edges of an object are steps that hardly count."""

SIDES = 6
"""Blocks of the field along each axis."""

SHARP = 1.5
"""How sharply light of nothing passes into that of an object, over the error of a cell."""

UNEVEN, UNEVEN_SPREAD = 0.3, 1.5
"""Usual kappa, and what the logarithm of it scatters by; a field without object tells nothing of it."""


@dataclass(frozen=True, slots=True)
class Steps:
    """Brightness and colours of n cells over the sky's level, and which of them are compared."""

    level: Float64
    """(n, channels) brightness first, then differences of channels."""
    error: Float64
    """(n, channels) standard errors."""
    matrix: Float64
    """(n, terms) of the surface."""
    first: Int64
    second: Int64
    block: Int64
    """(pairs,) block of the field that each pair lies in."""
    blocks: int

    def starts(self) -> list[Float64]:
        """Where to search from: a plane under all cells, and one half as steep."""
        light = self.level[:, 0]
        lowest = float(np.quantile(light, 0.01))
        channels, k = self.level.shape[1], self.matrix.shape[1]
        plane = _under(self.matrix[:, : min(k, 3)], light)
        out = []
        for part in (1.0, 0.5, 0.0):
            b = np.zeros((channels, k))
            b[0, 1 : len(plane)] = part * plane[1:]
            b[0, 0] = min(lowest, float(np.quantile(light - self.matrix @ b[0], 0.01)))
            out.append(np.append(b, np.full(channels, np.log(UNEVEN))))
        return out

    def cost(self, x: Float64) -> tuple[float, Float64]:
        """Minus the logarithm of the likelihood, each cell counted once, and its slope."""
        value, pull = self._pairs(x)
        below, slope = self._below(x)
        off = (x[-self.level.shape[1] :] - np.log(UNEVEN)) / UNEVEN_SPREAD
        slope = slope + pull.sum(axis=0)
        slope[-len(off) :] += off / UNEVEN_SPREAD
        return value + below + 0.5 * float(off @ off), slope

    def pulls(self, x: Float64) -> Float64:
        """(blocks, parameters) slope of the cost by what lies in each block."""
        out = np.zeros((self.blocks, len(x)))
        np.add.at(out, self.block, self._pairs(x)[1])
        return out

    def _split(self, x: Float64) -> tuple[Float64, Float64]:
        """Coefficients (channels, terms) and kappa squared (channels,)."""
        channels = self.level.shape[1]
        return x[:-channels].reshape(channels, -1), np.exp(2 * np.clip(x[-channels:], -8, 3))

    def _pairs(self, x: Float64) -> tuple[float, Float64]:
        """Cost of all pairs, and its slope (pairs, parameters)."""
        b, uneven = self._split(x)
        rest = self.level - self.matrix @ b.T
        light, bend = _soft(rest[:, 0], self.error[:, 0] / SHARP)
        i, j = self.first, self.second
        darker = np.where(light[i] < light[j], i, j)
        h = light[darker]
        variance = self.error[i] ** 2 + self.error[j] ** 2 + uneven * h[:, None] ** 2
        d = rest[j] - rest[i]
        q = np.sum(d * d / variance, axis=1)
        power = 0.5 * (FREEDOM + d.shape[1])
        part = 0.5  # along rows and along columns
        value = part * float(0.5 * np.log(variance).sum() + power * np.log1p(q / FREEDOM).sum())
        by_q = (power / (FREEDOM + q))[:, None]
        by_d, by_variance = 2 * by_q * d / variance, 0.5 / variance - by_q * d * d / variance**2
        by_light = (by_variance * uneven).sum(axis=1) * h
        change = self.matrix[j] - self.matrix[i]
        slope = -by_d[:, :, None] * change[:, None, :]
        slope[:, 0] -= (2 * by_light * bend[darker])[:, None] * self.matrix[darker]
        kappa = 2 * by_variance * uneven * h[:, None] ** 2
        return value, part * np.concatenate([slope.reshape(len(d), -1), kappa], axis=1)

    def _below(self, x: Float64) -> tuple[float, Float64]:
        """Cost of cells that lie under the sky by more than noise often makes them, and its slope."""
        b, error, slope = self._split(x)[0][0], self.error[:, 0], np.zeros_like(x)
        deep = np.minimum((self.level[:, 0] - self.matrix @ b) / error + 2, 0)
        slope[: len(b)] = -(deep / error) @ self.matrix
        return 0.5 * float((deep**2).sum()), slope


def _soft(light: Float64, width: Float64) -> tuple[Float64, Float64]:
    """Light, nothing where it is less, smooth between, and its slope."""
    z = light / width
    return width * np.logaddexp(0, z), 1 / (1 + np.exp(-np.clip(z, -50, 50)))


def _under(matrix: Float64, light: Float64) -> Float64:
    """The highest plane (its mean) under all cells."""
    found = optimize.linprog(
        -matrix.mean(axis=0), A_ub=matrix, b_ub=light, bounds=[(None, None)] * matrix.shape[1]
    )
    return np.asarray(found.x) if found.success else np.zeros(matrix.shape[1])


def blocks_of(shape: tuple[int, ...]) -> Int64:
    """(my, mx) number of the block of the field that each cell is in."""
    my, mx = shape
    return (np.arange(my) * SIDES // my)[:, None] * SIDES + (np.arange(mx) * SIDES // mx)[None, :]


def steps_between(good: Bool, level: Float64, error: Float64, matrix: Float64) -> Steps:
    """Steps between neighbours along rows and columns of cells: in those what an object is as a whole counts least.

    Parameters
    ----------
    good : (my, mx) bool
        Cells that have levels.
    level, error : (n, channels) float64
        Of those cells.
    matrix : (n, terms) float64
        Of the surface at them.
    """
    number = np.where(good, np.cumsum(good).reshape(good.shape) - 1, -1)
    block = blocks_of(good.shape)
    first, second, where = [], [], []
    ways = (
        ((slice(None), slice(1, None)), (slice(None), slice(None, -1))),
        ((slice(1, None),), (slice(None, -1),)),
    )
    for a, b in ways:
        both = good[a] & good[b]
        first.append(number[b][both])
        second.append(number[a][both])
        where.append(block[a][both])
    _, at = np.unique(np.concatenate(where), return_inverse=True)
    return Steps(
        level, error, matrix, np.concatenate(first), np.concatenate(second), at, int(at.max(initial=-1)) + 1
    )
