"""Spatial nonuniformity of a plane, with the temporal variance removed, and samples that are far from the others."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.special import gammainccinv

from fourlight.core.regionerror import Measured

__all__ = [
    "HIGH_PASS",
    "WHITE_LEFT",
    "apart",
    "high_passed",
    "spatial_variance",
    "square_root",
    "unsteady",
]

Float32 = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

HIGH_PASS = 5
"""Side in samples of a plane of the box whose mean is taken off (EMVA 1288, high-pass filtering)."""
WHITE_LEFT = 1 - 1 / HIGH_PASS**2
"""Share of the variance of what differs from sample to sample that the filter leaves."""
SIGMA = 8.0
"""Robust standard deviations from which a sample is a defect."""
RARE = 1e-9
"""Probability of a variance as large, from which a sample is unsteady."""


def high_passed(plane: Float32) -> Float32:
    """A plane less the mean of the box of samples around each; NaN within half a box of the rim and of samples of NaN.

    >>> bool(np.nanmax(np.abs(high_passed(np.add.outer(np.arange(9.0), np.arange(9.0)).astype(np.float32)))) < 1e-5)
    True
    """
    values = np.asarray(plane, dtype=np.float64)
    rest = values - ndimage.uniform_filter(np.nan_to_num(values), HIGH_PASS, mode="nearest")
    unknown = ~np.isfinite(values)
    if unknown.any():
        rest[ndimage.binary_dilation(unknown, np.ones((HIGH_PASS, HIGH_PASS)))] = np.nan
    half = HIGH_PASS // 2
    rest[:half] = rest[-half:] = np.nan
    rest[:, :half] = rest[:, -half:] = np.nan
    return np.asarray(rest, dtype=np.float32)


def spatial_variance(rest: Float32, temporal: float, parts: int = 8) -> Measured:
    """Variance over the samples of a mean of exposures that differs from place to place.

    Parameters
    ----------
    rest : (ny, nx) float32
        The mean of exposures, from `high_passed`; NaN is left out.
    temporal : float
        Temporal variance of that mean, in the square of its unit: ``sigma^2 / L`` of L exposures.
    parts : int
        Stripes along each side whose squares are left out one by one for the error (jackknife).

    Notes
    -----
    ``s^2 = s^2_measured - sigma^2_stack / L`` (EMVA 1288, spatial variances), and over `WHITE_LEFT` for the filter.
    """
    square, number = np.where(np.isfinite(rest), rest.astype(np.float64) ** 2, 0.0), np.isfinite(rest)
    cuts = [np.linspace(0, length, parts, endpoint=False).astype(int) for length in rest.shape]
    squares, numbers = (
        np.add.reduceat(np.add.reduceat(part, cuts[0], axis=0), cuts[1], axis=1).ravel()
        for part in (square, number.astype(np.float64))
    )
    filled = numbers > 0
    squares, numbers = squares[filled], numbers[filled]
    if len(numbers) < 2:
        return Measured(float("nan"), float("inf"))
    left = (squares.sum() - squares) / (numbers.sum() - numbers) / WHITE_LEFT
    n = len(left)
    error = np.sqrt((n - 1) / n * ((left - left.mean()) ** 2).sum())
    return Measured(float(squares.sum() / numbers.sum() / WHITE_LEFT) - temporal, float(error))


def square_root(variance: Measured) -> Measured:
    """Standard deviation of a variance; where that is not above its error, 0 with the root of the error for its own.

    >>> square_root(Measured(4.0, 0.4)).error
    0.1
    """
    if variance.value > variance.error:
        value = float(np.sqrt(variance.value))
        return Measured(value, variance.error / (2 * value))
    return Measured(float(np.sqrt(max(variance.value, 0.0))), float(np.sqrt(variance.error)))


def apart(plane: Float32) -> tuple[Float32, float]:
    """What each sample has above the median of the box around it, and the robust standard deviation of that."""
    known = np.isfinite(plane)
    filled = np.where(known, plane, np.float32(np.median(plane[known]) if known.any() else 0.0))
    excess = np.where(known, filled - ndimage.median_filter(filled, HIGH_PASS, mode="nearest"), np.nan)
    usual = excess[known]
    scatter = 1.4826 * float(np.median(np.abs(usual - np.median(usual)))) if usual.size else 0.0
    return excess.astype(np.float32), scatter


def unsteady(variance: Float32, expected: npt.ArrayLike, kept: npt.NDArray[np.int32]) -> BoolArray:
    """Samples whose scatter over the exposures is larger than chance gives one in a thousand million.

    Parameters
    ----------
    variance : (ny, nx) float32
        Of one sample over the exposures.
    expected : array_like
        Variance of a sample that is steady.
    kept : (ny, nx) int32
        Exposures.

    Notes
    -----
    By chi-squared with ``kept - 1`` degrees of freedom. Rounding makes tails shorter, not longer.
    """
    freedom = np.maximum(kept - 1, 1)
    most = 2 * gammainccinv(np.arange(1, freedom.max() + 1) / 2, RARE) / np.arange(1, freedom.max() + 1)
    with np.errstate(invalid="ignore"):
        return np.asarray((variance > np.asarray(expected) * most[freedom - 1]) & (kept > 2))
