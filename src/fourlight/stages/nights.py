"""Estimates from the lights of several nights, with what leaving out some of them shows of their error."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from fourlight.core.correlated import contrast
from fourlight.core.trials import Trial, jackknife

__all__ = ["FEWEST_NIGHTS", "FRAMES", "NIGHTS", "left_out", "nights_of", "scope"]

Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

FRAMES, NIGHTS = "these frames", "nights like these"
"""What a statement holds for."""

FEWEST_NIGHTS = 3
"""Nights from which on an interval is for nights like these; of fewer it is for these frames alone."""


def nights_of(names: Sequence[str | None]) -> list[Bool]:
    """Which frames belong to each night, in order; frames of no known night are one together.

    >>> [mask.tolist() for mask in nights_of(["2025-03-01", "2025-03-02", "2025-03-01"])]
    [[True, False, True], [False, True, False]]
    """
    labels = np.array([name or "" for name in names])
    return [labels == name for name in dict.fromkeys(labels.tolist())]


def scope(names: Sequence[str | None]) -> str:
    """For what an estimate from lights of these nights holds.

    >>> scope(["a", "b", "b"]), scope(["a", "b", "c"])
    ('these frames', 'nights like these')
    """
    return NIGHTS if len(nights_of(names)) >= FEWEST_NIGHTS else FRAMES


def left_out(names: Sequence[str | None], estimate: Callable[[Bool], Float64]) -> list[list[Trial]]:
    """An estimate (k, r) from all lights with its intervals.

    Parameters
    ----------
    names : sequence of str or None
        Night of each light; lights are in order of time.
    estimate : callable
        Of some of the lights, (n,) bool.

    Returns
    -------
    list of list of Trial
        ``[k][r]``. From three nights on by the jackknife over nights; else by pseudo-values of single lights, of which
        neighbours may have something in common.
    """
    count = len(names)
    whole, groups = estimate(np.ones(count, dtype=bool)), nights_of(names)
    if len(groups) >= FEWEST_NIGHTS:
        without = np.array([estimate(~group) for group in groups])
        return [
            [jackknife(float(value), without[:, k, r]) for r, value in enumerate(values)]
            for k, values in enumerate(whole)
        ]
    without = np.array([estimate(np.arange(count) != k) for k in range(count)])
    alone = count * whole - (count - 1) * without
    return [
        [_of_lights(float(value), alone[:, k, r], groups) for r, value in enumerate(values)]
        for k, values in enumerate(whole)
    ]


def _of_lights(value: float, alone: Float64, groups: Sequence[Bool]) -> Trial:
    """An estimate with the error that the pseudo-values of lights show inside of their nights."""
    design = np.column_stack(groups).astype(np.float64)
    night = design.argmax(axis=1)
    found = contrast(alone, design, design.mean(axis=0), night).trial(0.0)
    return _about(value, found)


def _about(value: float, trial: Trial) -> Trial:
    """The same interval about the estimate itself, which differs from the mean of pseudo-values by its bias."""
    shift = value - trial.value
    return replace(trial, value=value, low=trial.low + shift, high=trial.high + shift)
