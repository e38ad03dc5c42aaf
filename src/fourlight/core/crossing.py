"""Where a ring correlation falls through a threshold, from all rings around the place, and how well that is known.

The correlation of halves is S / (1 + S). Over a narrow range of frequency S is a power of it, whatever blur and object
are, so that the correlation is a logistic function of the logarithm of frequency: two numbers, fitted by the scatter
of the rings. A curve smoothed over a few rings crosses where its noise makes it cross first.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core.resolution import MOST, SIGMAS, Rings, resolution

__all__ = ["crossing"]

Float64 = npt.NDArray[np.float64]

BELOW, ABOVE = 1.2, 1.1
"""Rings from the crossing over the first to the crossing times the second are fitted: what noise of the halves has in
common shows where the light no longer does, beyond the crossing."""
FEWEST = 7
"""Rings that are enough for two numbers."""
ROUNDS = 12


def crossing(rings: Rings, threshold: Float64 | float, finest: float = 0.5) -> tuple[float, float, float]:
    """Frequency at which the correlation falls to a threshold, and its range (95 %), cycles per pixel.

    Parameters
    ----------
    rings : Rings
        Of two halves.
    threshold : float or (n,) float64
        Between 0 and 1; one number, or one for each ring.
    finest : float
        Finest frequency of the samples; no more than two thirds of it is claimed.

    Returns
    -------
    found, low, high
        NaN where the coarsest ring already is below. Where the rings around it are too few, or do not fall, what
        `fourlight.core.resolution.resolution` finds.

    Examples
    --------
    >>> frequency = np.linspace(0.001, 0.5, 500)
    >>> rings = Rings(frequency, 1 / (1 + (frequency / 0.1) ** 6), np.full(500, 400.0))
    >>> round(crossing(rings, 0.5)[0], 6)
    0.1
    """
    rough = resolution(rings, threshold, 1 / MOST)
    level = np.broadcast_to(np.asarray(threshold, dtype=np.float64), rings.value.shape)
    fine = _fitted(rings, level, rough[0]) if np.isfinite(rough[0]) else None
    found, low, high = (min(value, MOST * finest) for value in fine or rough)
    return found, low, high


def _fitted(rings: Rings, level: Float64, start: float) -> tuple[float, float, float] | None:
    """The crossing of the fitted curve; None where there is none near the start."""
    good = np.isfinite(rings.value) & (rings.count > 1) & (rings.frequency > 0)
    if good.sum() < FEWEST:
        return None
    place, value, count, wanted = (
        part[good] for part in (np.log(rings.frequency), rings.value, rings.count, level)
    )
    centre = float(np.log(start))
    for _ in range(ROUNDS):
        near = (place - centre >= -np.log(BELOW)) & (place - centre <= np.log(ABOVE))
        if near.sum() < FEWEST or (abs(centre - np.log(start)) > 2 * np.log(BELOW)):
            return None
        aim = float(np.interp(centre, place, wanted))
        fit = _logistic(place[near] - centre, value[near], count[near], np.log(aim / (1 - aim)))
        if fit is None:
            return None
        step, error = fit
        centre += float(np.clip(step, -0.1, 0.1))
        if abs(step) < 1e-4:
            break
    low, high = np.exp(centre + SIGMAS * error * np.array([-1.0, 1.0]))
    return float(np.exp(centre)), float(low), float(high)


def _logistic(x: Float64, value: Float64, count: Float64, aim: float) -> tuple[float, float] | None:
    """Where 1 / (1 + exp(-a - b x)) has the logit ``aim``, and the standard error; None where it does not fall."""
    numbers = np.array([aim, -8.0])
    design = np.column_stack([np.ones_like(x), x])
    for _ in range(ROUNDS):
        model = 1 / (1 + np.exp(-np.clip(design @ numbers, -12, 12)))
        slope = (model * (1 - model))[:, None] * design
        weight = count / (1 - model**2) ** 2
        normal = (slope.T * weight) @ slope + np.diag([0.0, 1e-3])
        numbers = numbers + np.clip(np.linalg.solve(normal, (slope.T * weight) @ (value - model)), -2, 2)
    if not np.isfinite(numbers).all() or numbers[1] >= -0.5:
        return None
    place = (aim - numbers[0]) / numbers[1]
    lever = np.array([1.0, place])
    return float(place), float(np.sqrt(lever @ np.linalg.solve(normal, lever)) / -numbers[1])
