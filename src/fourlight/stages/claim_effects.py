"""The effect that a claim is about, with its error: between planes of the same lights, and over a covariate."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core.correlated import contrast
from fourlight.core.estimates import Estimate, estimate_of, mean_of_nights, pseudo_values
from fourlight.core.trials import jackknife
from fourlight.stages.claim_file import Claim
from fourlight.stages.claim_lights import (
    Untold,
    covariate,
    group,
    lights_of,
)
from fourlight.stages.claim_terms import COVARIATES, QUANTITIES
from fourlight.stages.nights import FEWEST_LIGHTS, FRAMES, NIGHTS, parts_of
from fourlight.stages.series import Known, Series

__all__ = ["ENOUGH", "FRAMES", "NIGHTS", "Effect", "need", "of_planes", "of_slope", "positive"]

Float64 = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

ENOUGH = FEWEST_LIGHTS
"""Nights that a statement on nights to come needs, and lights that a night needs to count as one."""


@dataclass(frozen=True, slots=True)
class Effect:
    """An estimate, what it holds for, and what it was counted in."""

    estimate: Estimate
    """On the scale of the comparison: the logarithm of ratios and slopes; see `claim_patches.unevenness`."""
    scope: str
    counted: str
    """'lights', 'pairs' of lights, 'nights' or 'patches'."""
    noise: float = 1.0
    """Of unevenness: relative noise of a patch, which the estimate is in units of."""


def need(count: int, least: int, what: str) -> None:
    """Raises Untold where there are too few."""
    if count < least:
        raise Untold(f"{count} {what} found; at least {least} are needed")


def of_planes(series: Series, claim: Claim) -> Effect:
    """One or several planes against others, light by light, or as it is told elsewhere of all lights."""
    told = series.known.get((claim.quantity, claim.compare, claim.first.name, claim.second.name))
    if told and claim.among == "all lights":
        own = _of_lights(series, claim) if told.memory and told.scope == FRAMES else None
        return _as_told(told, own, claim)
    return _of_lights(series, claim)


def _of_lights(series: Series, claim: Claim) -> Effect:
    """From what single lights hold."""
    first, second = claim.first.planes, claim.second.planes
    a, b = lights_of(series, claim.quantity, first), lights_of(series, claim.quantity, second)
    rows = np.flatnonzero(group(series, claim.among) & np.isfinite(a) & np.isfinite(b))
    typical = not QUANTITIES[claim.quantity].adds
    if claim.compare == "ratio" and typical:
        rows = rows[(a[rows] > 0) & (b[rows] > 0)]
    need(rows.size, claim.least_lights, "lights of use")
    nights = np.array(series.nights)[rows]
    a, b = a[rows], b[rows]

    def estimator(kept: npt.NDArray[np.intp]) -> float:
        if claim.compare == "difference":
            return float((a[kept] - b[kept]).mean())
        if claim.compare == "share":
            return float(a[kept].sum() / b[kept].sum())
        return float(np.log(a[kept] / b[kept]).mean() if typical else np.log(a[kept].sum() / b[kept].sum()))

    if not typical and not (positive(a) and positive(b)):
        raise Untold(f"the {QUANTITIES[claim.quantity].means} is not above zero")
    own = _over_nights(estimator, nights, claim.least_nights)
    error = _common(series, claim, rows)
    return Effect(own.estimate.widened(error), own.scope, own.counted)


def positive(values: Float64) -> bool:
    """Whether the mean stays above zero whichever value is left out."""
    return bool(values.sum() - max(float(values.max()), 0.0) > 0)


def _as_told(told: Known, own: Effect | None, claim: Claim) -> Effect:
    """Value and interval that are told elsewhere, with the tails of what single lights say (``own``) where they do."""
    if told.scope == NIGHTS:
        need(told.estimate.number, claim.least_nights, "nights")
        return Effect(told.estimate, NIGHTS, "nights")
    if claim.least_nights > 1:
        raise Untold(f"{claim.least_nights} nights of {ENOUGH} lights or more are needed")
    need(told.estimate.number, claim.least_lights, "lights of use")
    found = told.estimate
    if own and own.scope == FRAMES and found.told and own.estimate.reach() > 0 and own.estimate.told:
        scale = found.reach() / own.estimate.reach()
        errors = tuple(scale * error for error in own.estimate.errors)
        found = replace(own.estimate, value=found.value, errors=errors, skew=found.skew)
    return Effect(found, FRAMES, "lights")


def _over_nights(
    estimator: Callable[[npt.NDArray[np.intp]], float], nights: npt.NDArray[np.str_], least: int
) -> Effect:
    """The estimate from all lights; its error from night to night where there are three or more, else within them.

    A night of many lights counts for more than one of few, as it does in the stack.
    """
    every = np.arange(nights.size)
    whole = estimator(every)
    parts = parts_of(nights.tolist())
    if least > 1:
        need(len(parts.nights), least, f"nights of {ENOUGH} lights or more")
    if parts.scope == NIGHTS:
        left = [estimator(np.flatnonzero(~night)) for night in parts.nights]
        trial = jackknife(whole, left, share=parts.share, rest=parts.rest)
        return Effect(estimate_of(trial, len(parts.nights)), NIGHTS, "nights")
    values = pseudo_values(estimator, nights.size)
    design = (nights[:, None] == np.unique(nights)).astype(np.float64)
    found = contrast(values, design, design.mean(axis=0), nights)
    # about the estimate itself, which differs from the mean of pseudo-values by its bias
    return Effect(replace(found, value=whole) if found.told else found, FRAMES, "lights")


def _common(series: Series, claim: Claim, rows: npt.NDArray[np.intp]) -> float:
    """Error of a comparison of planes that all lights have in common, from relative errors plane by plane."""
    first, second = _apart(claim)
    mean = {p: float(lights_of(series, claim.quantity, [p])[rows].mean()) for p in {*first, *second}}
    top, whole = (sum(mean[p] for p in side) for side in (first, second))
    total = 0.0
    for p, value in mean.items():
        error = series.shared_error("information" if "information" in claim.quantity else claim.quantity, p)
        above, below = first.count(p), second.count(p)
        if claim.compare == "share":
            slope = value / whole * (above - top / whole * below)
        elif claim.compare == "difference":
            slope = value * (above - below)
        else:
            slope = value * (above / top - below / whole)
        total += (slope * error) ** 2
    return float(np.sqrt(total))


def _apart(claim: Claim) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Planes of both sides, no two of which have samples in common: G as G1 and G2 where one of these is named."""
    sides = claim.first.planes, claim.second.planes
    if not QUANTITIES[claim.quantity].adds or not {"G1", "G2"} & {*sides[0], *sides[1]}:
        return sides
    first, second = (
        tuple(part for p in side for part in (("G1", "G2") if p == "G" else (p,))) for side in sides
    )
    return first, second


def of_slope(series: Series, claim: Claim, plane: str) -> Effect:
    """How a quantity changes with a covariate, in the logarithm for each step."""
    x = lights_of(series, claim.quantity, [plane])
    along = covariate(series, claim.over, plane)
    besides = [covariate(series, name, plane) for name in claim.at_equal]
    with np.errstate(invalid="ignore"):
        usable = (x > 0) & group(series, claim.of) & np.isfinite(along)
    for column in besides:
        usable &= np.isfinite(column)
    rows = np.flatnonzero(usable)
    need(rows.size, claim.least_lights, claim.first.words)
    step = float(np.log(claim.step)) if COVARIATES[claim.over] == "times" else claim.step
    nights, y, z = np.array(series.nights)[rows], np.log(x[rows]), along[rows] / step
    design = np.column_stack([z - z.mean(), *(column[rows] - column[rows].mean() for column in besides)])
    if not float(z.std()) > 0:
        raise Untold(f"{claim.over} is the same for all lights")
    # lights of no known date may be of any night
    names = [str(n) for n in np.unique(nights[nights != ""]) if z[nights == n].std() > 0.25 * z.std()]
    names = [n for n in names if (nights == n).sum() > design.shape[1] + ENOUGH]
    if claim.least_nights > 1:
        need(len(names), claim.least_nights, f"nights in which {claim.over} changes")
    if len(names) >= ENOUGH:
        return Effect(mean_of_nights([_slope(y, design, nights == n) for n in names]), NIGHTS, "nights")
    dummies = (nights[:, None] == np.unique(nights)).astype(np.float64)
    asked = np.eye(design.shape[1] + dummies.shape[1])[dummies.shape[1]]
    return Effect(contrast(y, np.hstack([dummies, design]), asked, nights), FRAMES, "lights")


def _slope(y: Float64, design: Float64, own: Mask) -> float:
    columns = np.column_stack([np.ones(int(own.sum())), design[own]])
    return float(np.linalg.lstsq(columns, y[own], rcond=None)[0][1])
