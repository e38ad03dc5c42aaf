"""Which sample of the mosaic is red, told by catalogue stars: red stars are bright where red is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import PATTERNS, PLANES, plane_map
from fourlight.stages.star_fluxes import StarFluxes

__all__ = ["FEWEST", "StarPhase", "star_phase"]

Float64 = npt.NDArray[np.float64]

FEWEST = 8
CLEAR = 8.0
"""Signal over noise of a star in each plane."""
SURE = 4.0
"""Standard errors from which on the stars settle a pattern."""
FLOOR = 0.05
"""Magnitudes by which colours of stars stray from B-V at least."""


@dataclass(frozen=True, slots=True)
class StarPhase:
    """What the stars say of the mosaic."""

    pattern: str | None
    """The one that they show, in array order; None where they do not tell."""
    sigma: float
    """How sure they are of it against the next best one."""
    correlation: float
    """Of B-V with the magnitude of blue less that of red as they are used: 1 where red is red."""
    stars: int


def star_phase(stars: StarFluxes, pattern: str) -> StarPhase:
    """The mosaic pattern that the colours of stars show.

    How the magnitude of each of the four samples changes with B-V is fitted to all stars, each less the mean of its
    four. Of the two diagonals, the one whose ends differ more holds red and blue; red is where the magnitude falls.

    Parameters
    ----------
    stars : StarFluxes
        Of a stack whose planes were taken from the mosaic by ``pattern``.
    pattern : str
        In array order.
    """
    use = stars.good & (stars.flux > CLEAR * stars.flux_error).all(axis=1)
    if use.sum() < FEWEST:
        return StarPhase(None, 0.0, float("nan"), int(use.sum()))
    magnitude = -2.5 * np.log10(stars.flux[use])
    error = 1.0857 * (stars.flux_error[use] / stars.flux[use]).max(axis=1)
    colour = stars.b_v[use]
    cells = plane_map(pattern)
    main = _slope(magnitude[:, cells[1, 1]] - magnitude[:, cells[0, 0]], colour, error)
    anti = _slope(magnitude[:, cells[1, 0]] - magnitude[:, cells[0, 1]], colour, error)
    used = magnitude[:, PLANES.index("B")] - magnitude[:, PLANES.index("R")]
    correlation = float(np.corrcoef(used, colour)[0, 1])
    # red on the first place of a diagonal: the second, blue, gets fainter the redder the star
    best, other, first = (main, anti, (0, 0)) if abs(main[0]) > abs(anti[0]) else (anti, main, (0, 1))
    sigma = min(abs(best[0]) / best[1], (abs(best[0]) - abs(other[0])) / float(np.hypot(best[1], other[1])))
    if sigma < SURE:
        return StarPhase(None, float(sigma), correlation, int(use.sum()))
    red = first if best[0] > 0 else (1 - first[0], 1 - first[1])
    shown = next(name for name in PATTERNS if name[2 * red[0] + red[1]] == "R")
    return StarPhase(shown, float(sigma), correlation, int(use.sum()))


def _slope(seen: Float64, colour: Float64, error: Float64) -> tuple[float, float]:
    """Slope of a colour over B-V with its standard error, outliers cut."""
    keep = np.ones(len(seen), dtype=bool)
    weight = 1.0 / (error**2 + FLOOR**2)
    for _ in range(6):
        part = weight * keep
        middle = (part @ colour) / part.sum()
        away = colour - middle
        level = (part @ seen) / part.sum()
        slope = (part @ (away * (seen - level))) / max(part @ away**2, 1e-12)
        left = seen - level - slope * away
        spread = 1.4826 * np.median(np.abs(left[keep]))
        keep = np.abs(left) < 4 * spread + 1e-9
    part = weight * keep
    bread = part @ away**2
    return float(slope), float(np.sqrt((part**2 * away**2) @ left**2) / max(bread, 1e-12)) + 1e-9
