"""How many hours, and nights under a sky that is not always clear, a goal takes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fourlight.core.waiting import nights_for

__all__ = ["SURE", "Needed", "time_needed"]

SURE = 0.9
"""Chance with which nights are told to be enough."""
MOST_NIGHTS = 10_000


@dataclass(frozen=True, slots=True)
class Needed:
    """What a goal takes."""

    about: str
    goal: float
    """Signal over noise."""
    hours: float
    """Of light, without pauses."""
    clear_nights: int | None
    """Nights, where somebody said how long one is."""
    expected_nights: float | None
    """On average until so many were clear."""
    sure_nights: int | None
    """Enough in nine of ten cases."""


def time_needed(
    about: str, snr_of_an_hour: float, goal: float, hours_a_night: float | None, clear: float | None
) -> Needed:
    """Hours and nights until a patch reaches a signal over noise; its square grows with time.

    Parameters
    ----------
    about : str
        Which colour or line.
    snr_of_an_hour : float
    goal : float
    hours_a_night : float or None
        Of light in a clear night.
    clear : float or None
        Chance that a night is clear.

    Examples
    --------
    >>> found = time_needed("green", 5.0, 20.0, 4.0, 0.5)
    >>> found.hours, found.clear_nights, found.expected_nights, found.sure_nights
    (16.0, 4, 8.0, 12)
    """
    hours = (goal / snr_of_an_hour) ** 2
    if hours_a_night is None or hours_a_night <= 0:
        return Needed(about, goal, hours, None, None, None)
    nights = hours / hours_a_night
    if nights > MOST_NIGHTS:
        return Needed(about, goal, hours, None, None, None)
    whole = max(1, math.ceil(nights - 1e-9))
    if clear is None:
        return Needed(about, goal, hours, whole, None, None)
    return Needed(about, goal, hours, whole, whole / clear, nights_for(whole, clear, SURE))
