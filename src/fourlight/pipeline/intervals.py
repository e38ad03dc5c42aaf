"""Estimates with their intervals as plain data."""

from __future__ import annotations

import numpy as np

from fourlight.core.trials import Trial

__all__ = ["interval"]


def interval(trial: Trial, least: float = -np.inf, most: float = np.inf) -> dict[str, float]:
    """Value, and both ends of the interval, which are kept within bounds.

    So is the value: of what is zero, half of the estimates lie below. An interval that lies out of bounds altogether is
    not pressed into a point, as if all were known: it keeps half of its width.

    >>> interval(Trial(0.9, 0.7, 1.1, 0.1, 0.1, 9.0), 0.0, 1.0)
    {'value': 0.9, 'low': 0.7, 'high': 1.0}
    >>> interval(Trial(-0.5, -0.75, -0.25, 0.1, 0.1, 9.0), 0.0, 1.0)
    {'value': 0.0, 'low': 0.0, 'high': 0.25}
    """
    half = (trial.high - trial.low) / 2
    low, high = min(trial.low, most - half), max(trial.high, least + half)
    return {
        "value": float(np.clip(trial.value, least, most)),
        "low": float(np.clip(low, least, most)),
        "high": float(np.clip(high, least, most)),
    }
