"""Mean of a field, and its error from two independent measurements of it: how far they differ block by block."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["FEWEST", "Mean", "block_sums", "mean_of_blocks"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

FEWEST = 9
"""Blocks from which an error is told: of so many it is itself known to a quarter."""


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean with its standard error, and how far half the difference of both measurements is from zero."""

    value: float
    error: float
    apart: float


def block_sums(image: Float32, side: int) -> tuple[Float64, Float64]:
    """Sum and number of the known pixels of each block of ``side`` x ``side`` pixels; rims may be smaller.

    >>> sums, counts = block_sums(np.array([[1, 2, 3], [4, np.nan, 6]], np.float32), 2)
    >>> sums.tolist(), counts.tolist()
    ([[7.0, 9.0]], [[3.0, 2.0]])
    """
    edges = [np.arange(0, length, side) for length in image.shape]
    known = np.isfinite(image)

    def summed(values: Float64) -> Float64:
        return np.asarray(np.add.reduceat(np.add.reduceat(values, edges[0], axis=0), edges[1], axis=1))

    return summed(np.where(known, image, 0).astype(np.float64)), summed(known.astype(np.float64))


def mean_of_blocks(sums: Float64, counts: Float64, half_difference: Float64) -> Mean:
    """Mean over blocks, weighted by their pixels, with the error that both measurements show.

    Parameters
    ----------
    sums, counts : (n,) float64
        Of the light in each block.
    half_difference : (n,) float64
        Half of the difference between the means of two independent measurements there; NaN where either has none.

    Returns
    -------
    Mean
        NaN where nothing is known; the error is inf with fewer than `FEWEST` blocks.

    Notes
    -----
    Half the difference of two measurements of equal weight has the variance of their mean, and holds no structure of
    the field. The error of a weighted mean of n blocks is ``sqrt(sum(w^2 d^2) n / (n - 1))`` with d from their mean;
    where the mean itself is off zero by more than three such errors, blocks have something in common, and its size is
    the error. What both measurements share shows in neither.
    """
    total = counts.sum()
    if total == 0:
        return Mean(float("nan"), float("inf"), float("nan"))
    value = float(sums.sum() / total)
    good = np.isfinite(half_difference) & (counts > 0)
    n = int(good.sum())
    if n < FEWEST:
        return Mean(value, float("inf"), float("nan"))
    weight = counts[good] / counts[good].sum()
    apart = float((weight * half_difference[good]).sum())
    chance = float(np.sqrt((weight**2 * (half_difference[good] - apart) ** 2).sum() * n / (n - 1)))
    return Mean(value, abs(apart) if abs(apart) > 3 * chance else chance, apart)
