"""How far levels are from a straight line over the exposure (EMVA 1288, linearity error)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["FEWEST", "HIGH", "LOW", "Linearity", "linearity", "within"]

FloatArray = npt.NDArray[np.float64]

LOW, HIGH = 0.05, 0.95
"""Shares of the saturation level between which the line is fitted (EMVA 1288)."""
FEWEST = 5
"""Levels within that range; a line takes two of them, and the standard wants many (50 over the whole range)."""


@dataclass(frozen=True, slots=True)
class Linearity:
    """A line, and relative deviations from it."""

    slope: float
    """ADU per unit of exposure."""
    offset: float
    """ADU."""
    deviation: FloatArray
    """(n,) of each level that was given, part of the line there."""
    inside: npt.NDArray[np.bool_]
    """(n,) levels that the line is fitted to."""

    @property
    def lowest(self) -> float:
        """Largest deviation below the line (release 4.0: LE min)."""
        return float(self.deviation[self.inside].min())

    @property
    def highest(self) -> float:
        """Largest deviation above it (LE max)."""
        return float(self.deviation[self.inside].max())

    @property
    def mean(self) -> float:
        """Mean size of the deviations (release 3.1: LE)."""
        return float(np.abs(self.deviation[self.inside]).mean())


def within(level: FloatArray, saturation: float) -> npt.NDArray[np.bool_]:
    """Levels between 5 and 95 % of saturation.

    >>> within(np.array([4.0, 50.0, 96.0]), 100.0).tolist()
    [False, True, False]
    """
    return np.asarray((level >= LOW * saturation) & (level <= HIGH * saturation))


def linearity(
    exposure: FloatArray, level: FloatArray, saturation: float, may: npt.NDArray[np.bool_] | None = None
) -> Linearity | None:
    """The line that makes the squares of relative deviations least, and the deviations.

    Parameters
    ----------
    exposure : (n,) float64
        Light, in any unit, such as seconds of a steady lamp.
    level : (n,) float64
        Level above no light, ADU.
    saturation : float
        Level at which the sensor is full, ADU.
    may : (n,) bool, optional
        Levels that the line may be fitted to; all unless given.

    Returns
    -------
    Linearity or None
        None with fewer than `FEWEST` levels between 5 and 95 % of saturation, or all of one exposure.

    Examples
    --------
    >>> found = linearity(np.arange(1.0, 11.0), 10 * np.arange(1.0, 11.0), 100.0)
    >>> round(found.slope, 6), int(found.inside.sum()), abs(found.highest) < 1e-12
    (10.0, 9, True)
    """
    inside = within(level, saturation) if may is None else within(level, saturation) & may
    x, y = exposure[inside], level[inside]
    if len(x) < FEWEST or len(np.unique(x)) < FEWEST:
        return None
    design = np.stack([x, np.ones_like(x)], axis=1) / y[:, None]
    (slope, offset), *_ = np.linalg.lstsq(design, np.ones_like(y), rcond=None)
    line = slope * exposure + offset
    return Linearity(float(slope), float(offset), (level - line) / line, inside)
