"""How much wider stars are in one colour than in another, over many lights, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from fourlight.core.trials import LEVEL, Trial, doubted, jackknife, trial_of
from fourlight.stages.nights import NIGHTS, parts_of
from fourlight.stages.widths import FrameWidths

__all__ = ["DEFINITION", "WidthRatio", "log_ratios", "width_ratio"]

Float64 = npt.NDArray[np.float64]

DEFINITION = (
    "Scale of one star profile common to all colours of a light, pixel excluded: ratios are the same for the full "
    "width at half maximum and for the radius that holds half of the light."
)

METHOD = 0.001
"""Bias of a ratio that the method itself may have, one standard error (docs/channels.md)."""

ALIKE = 0.25
"""Likelihood of errors that scatter as little as they do, below which lights share them: lights that are not dithered
have the same stars on the same samples, and what a profile misses there is the same in all of them."""


@dataclass(frozen=True, slots=True)
class WidthRatio:
    """Width of the stars of one colour over that of another."""

    colour: str
    to: str
    trial: Trial
    """Of the ratio itself; p is against 1, ``error`` is relative. What the method may be wrong by is in it."""
    frames: int
    nights: int
    scope: str
    """What it speaks of: 'these frames', or 'nights like these'."""


def log_ratios(widths: Sequence[FrameWidths], colour: str, to: str = "G") -> Float64:
    """(f,) logarithm of the ratio in each light; NaN where either has too little starlight."""
    return np.array([frame.log_ratio(colour, to)[0] for frame in widths])


def width_ratio(
    widths: Sequence[FrameWidths],
    colour: str,
    to: str = "G",
    nights: Sequence[str | None] | None = None,
    level: float = LEVEL,
) -> WidthRatio:
    """Geometric mean of the ratio over lights, in order of time.

    Parameters
    ----------
    widths : sequence of FrameWidths
        One for each light.
    colour, to : str
        Of `fourlight.stages.widths.COLOURS`.
    nights : sequence of str, optional
        Of each light. From three that count on (`fourlight.stages.nights`), the interval is from leaving out one after
        the other, and speaks of nights like these; else it is that of the mean over these lights, and speaks of
        nothing else.
    level : float
        Of the interval.
    """
    log = log_ratios(widths, colour, to)
    known = np.isfinite(log)
    kept = [name for name, there in zip(nights or [None] * len(log), known, strict=True) if there]
    log, parts = log[known], parts_of(kept)
    error = np.array([frame.log_ratio(colour, to)[1] for frame in widths])[known]
    if parts.scope == NIGHTS:
        left = [log[~night].mean() for night in parts.nights]
        found = jackknife(float(log.mean()), left, level=level, share=parts.share, rest=parts.rest)
    else:
        found = _of_these(log, error, level)
    sure = doubted(found, float(np.hypot(METHOD, _shared(log, error))), level=level)
    value, low, high = (float(np.exp(part)) for part in (sure.value, sure.low, sure.high))
    trial = Trial(value, low, high, sure.p, sure.error, sure.freedom)
    return WidthRatio(colour, to, trial, len(log), len(parts.nights), parts.scope)


def _of_these(log: Float64, error: Float64, level: float) -> Trial:
    """Mean over the lights there are, with the error of measuring it: that of their stars, or their scatter if larger.

    What really changes from light to light, as a lens does more harm where seeing is good, is no error of the mean of
    these lights; taken for one (`fourlight.core.correlated.mean`), a dozen lights of slowly changing seeing could
    not tell five per cent. Their scatter is therefore from steps.
    """
    n = log.size
    if n < 2:
        return trial_of(float(log.mean()) if n else float("nan"), np.inf, 0.0, level=level)
    variance = max(_steps(log), float(np.mean(error**2)))
    return trial_of(float(log.mean()), float(np.sqrt(variance / n)), _freedom(n), level=level)


def _steps(log: Float64) -> float:
    """Variance of one value from the differences of neighbours (von Neumann 1941)."""
    return 0.5 * float(np.mean(np.diff(log) ** 2))


def _freedom(n: int) -> float:
    """Degrees of freedom of `_steps`: differences of neighbours tell two thirds of what deviations do."""
    return (n - 1) / 1.5


def _shared(log: Float64, error: Float64) -> float:
    """Error that all lights have in common: what stars say it is, less what lights show of it by their scatter."""
    n = log.size
    if n < 2:
        return 0.0
    scatter, said = _steps(log), float(np.mean(error**2))
    least = said * stats.chi2.ppf(ALIKE, _freedom(n)) / _freedom(n)
    return float(np.sqrt(said - scatter)) if scatter < least else 0.0
