"""Photon transfer: gain and read noise from how the scatter of samples grows with their level.

A sample of ``level`` ADU above the pedestal, gain ``g`` (e/ADU) and read noise ``R`` (e) has the variance
``level / g + (R / g)^2 + q^2 / 12`` in ADU^2, with ``q`` the step of the digitiser.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.cells import Cells

__all__ = ["Line", "pair_gain", "pair_read_noise", "variance_line"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """Variance against level: ``variance = intercept + slope * (level - pivot)``."""

    slope: float
    slope_error: float
    intercept: float
    """Variance at ``pivot``, ADU^2."""
    intercept_error: float
    pivot: float
    """Level (ADU) at which the errors of slope and intercept are independent."""
    low: float
    high: float
    """Levels (ADU) between which nearly all cells lie (2nd to 98th percentile)."""

    def at(self, level: float) -> tuple[float, float]:
        """Variance (ADU^2) at a level (ADU), and its error."""
        value = self.intercept + self.slope * (level - self.pivot)
        return value, float(np.hypot(self.intercept_error, self.slope_error * (level - self.pivot)))


def pair_gain(high: Cells, low: Cells) -> tuple[float, float] | None:
    """Gain from two flats and two bias frames of one plane.

    ``[(F1 + F2) - (B1 + B2)] / [var(F1 - F2) - var(B1 - B2)]`` with sums over small cells, so that vignetting
    and response differences from pixel to pixel cancel.

    Parameters
    ----------
    high, low : Cells
        Of the pair of flats and of the pair of bias frames, one plane, from `fourlight.core.cells.cell_noise`.

    Returns
    -------
    (gain, error) : float
        Electrons per ADU; None where fewer than four cells could be used or nothing scatters.

    Notes
    -----
    Janesick's method (Howell 2006, section 4.3). It fails where the flats are saturated or nearly so.
    """
    if min(len(high.level), len(low.level)) < 4:
        return None
    level = high.level - np.median(low.level)
    variance = high.variance - np.mean(low.variance)
    keep = np.abs(variance / level - np.median(variance / level)) <= 5 * _scatter(variance / level)
    ratio = float(variance[keep].sum() / level[keep].sum()) if keep.any() else 0.0
    if ratio <= 0:
        return None
    error = _scatter(variance[keep] / level[keep]) / ratio / np.sqrt(keep.sum())
    return 1.0 / ratio, float(error / ratio)


def pair_read_noise(cells: Cells, step: float = 0.0) -> float | None:
    """Read noise in ADU from the cells of two bias frames of one plane, the digitiser's ``step^2 / 12`` taken off.

    ``sd(B1 - B2) / sqrt 2`` (Janesick; Howell 2006, section 4.3), as the median over cells. None without
    cells, 0 where the step alone explains the scatter.
    """
    if len(cells.variance) == 0:
        return None
    return float(np.sqrt(max(np.median(cells.variance) - step**2 / 12.0, 0.0)))


def variance_line(level: FloatArray, variance: FloatArray) -> Line | None:
    """Straight line through variance against level that outlying cells do not bend.

    Weighted least squares with the error of a variance proportional to the variance itself, and Tukey's
    biweight (constant 4.685, 95 % efficiency) on the residuals.

    Parameters
    ----------
    level, variance : (n,) float64
        ADU and ADU^2, one pair per cell.

    Returns
    -------
    Line or None
        None with fewer than 20 cells or all at one level.
    """
    good = np.isfinite(level) & np.isfinite(variance) & (variance > 0)
    level, variance = level[good], variance[good]
    if len(level) < 20 or np.ptp(level) <= 0:
        return None
    expected = np.full(len(level), float(np.median(variance)))
    robust = np.ones(len(level))
    for _ in range(30):
        weight = robust / expected**2
        pivot, intercept, slope = _fit(level, variance, weight)
        fitted = np.maximum(intercept + slope * (level - pivot), 0.05 * np.median(variance))
        residual = (variance - fitted) / fitted
        robust = np.clip(1 - (residual / (4.685 * max(_scatter(residual), 1e-12))) ** 2, 0, None) ** 2
        if np.allclose(fitted, expected, rtol=1e-6):
            break
        expected = fitted
    used = robust > 0
    sigma = float(np.sqrt(np.sum(robust * residual**2) / max(robust.sum() - 2, 1.0)))
    total = weight.sum()
    spread = float(np.sum(weight * (level - pivot) ** 2))
    if spread <= 0 or used.sum() < 20:
        return None
    low, high = np.percentile(level[used], (2, 98))
    return Line(
        slope, sigma / spread**0.5, intercept, sigma / float(total) ** 0.5, pivot, float(low), float(high)
    )


def _fit(x: FloatArray, y: FloatArray, weight: FloatArray) -> tuple[float, float, float]:
    """Pivot, value there and slope of a weighted straight line."""
    total = weight.sum()
    pivot = float(np.sum(weight * x) / total)
    value = float(np.sum(weight * y) / total)
    spread = np.sum(weight * (x - pivot) ** 2)
    slope = float(np.sum(weight * (x - pivot) * (y - value)) / spread) if spread > 0 else 0.0
    return pivot, value, slope


def _scatter(values: FloatArray) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))
