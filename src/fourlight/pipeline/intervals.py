"""Estimates with their intervals as plain data."""

from __future__ import annotations

import numpy as np

from fourlight.core.trials import Trial

__all__ = ["interval"]


def interval(trial: Trial, least: float = -np.inf, most: float = np.inf) -> dict[str, float]:
    """Value, and both ends of the interval, which are kept within bounds.

    >>> interval(Trial(0.9, 0.7, 1.1, 0.1, 0.1, 9.0), 0.0, 1.0)
    {'value': 0.9, 'low': 0.7, 'high': 1.0}
    """
    return {
        "value": trial.value,
        "low": float(np.clip(trial.low, least, most)),
        "high": float(np.clip(trial.high, least, most)),
    }
