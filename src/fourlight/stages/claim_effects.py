"""The effect that a claim is about, with its error: on lights, on groups of lights, over a covariate."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.correlated import contrast
from fourlight.core.estimates import (
    Estimate,
    difference_of_nights,
    mean_of_nights,
    mean_of_pairs,
    pseudo_values,
)
from fourlight.stages.claim_file import Claim
from fourlight.stages.claim_lights import (
    Untold,
    covariate,
    group,
    interleaved,
    lights_of,
    nights_apart,
)
from fourlight.stages.claim_terms import COVARIATES, QUANTITIES
from fourlight.stages.series import Series

__all__ = ["FRAMES", "NIGHTS", "Effect", "of_groups", "of_planes", "of_slope"]

Float64 = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

FRAMES, NIGHTS = "these frames", "nights like these"
ENOUGH = 3
"""Nights that a statement on nights to come needs, and lights that a night needs to count as one."""


@dataclass(frozen=True, slots=True)
class Effect:
    """An estimate, what it holds for, and what it was counted in."""

    estimate: Estimate
    """On the scale of the comparison: the logarithm of ratios and slopes, the signed square of unevenness."""
    scope: str
    counted: str
    """'lights', 'pairs' of lights, 'nights' or 'patches'."""


def _need(count: int, least: int, what: str) -> None:
    if count < least:
        raise Untold(f"{count} {what} found; at least {least} are needed")


def of_planes(series: Series, claim: Claim) -> Effect:
    """One or several planes against others, light by light."""
    first, second = claim.first.planes, claim.second.planes
    a, b = lights_of(series, claim.quantity, first), lights_of(series, claim.quantity, second)
    rows = np.flatnonzero(group(series, claim.among) & np.isfinite(a) & np.isfinite(b))
    typical = not QUANTITIES[claim.quantity].adds
    if claim.compare == "ratio" and typical:
        rows = rows[(a[rows] > 0) & (b[rows] > 0)]
    _need(rows.size, claim.least_lights, "lights of use")
    nights = np.array(series.nights)[rows]
    a, b = a[rows], b[rows]

    def estimator(kept: npt.NDArray[np.intp]) -> float:
        if claim.compare == "difference":
            return float((a[kept] - b[kept]).mean())
        if claim.compare == "share":
            return float(a[kept].sum() / b[kept].sum())
        return float(np.log(a[kept] / b[kept]).mean() if typical else np.log(a[kept].sum() / b[kept].sum()))

    if not typical and not (_positive(a) and _positive(b)):
        raise Untold(f"the {QUANTITIES[claim.quantity].means} is not above zero")
    own = _over_nights(estimator, nights, claim.least_nights)
    error = _common(series, claim, rows)
    return Effect(own.estimate.widened(error), own.scope, own.counted)


def _positive(values: Float64) -> bool:
    """Whether the mean stays above zero whichever value is left out."""
    return bool(values.sum() - max(float(values.max()), 0.0) > 0)


def _over_nights(
    estimator: Callable[[npt.NDArray[np.intp]], float], nights: npt.NDArray[np.str_], least: int
) -> Effect:
    """From night to night where there are three or more; else from light to light within them."""
    names, counts = np.unique(nights, return_counts=True)
    enough = [name for name, count in zip(names, counts, strict=True) if count >= ENOUGH]
    if least > 1:
        _need(len(enough), least, f"nights of {ENOUGH} lights or more")
    if len(enough) >= ENOUGH:
        found = mean_of_nights([estimator(np.flatnonzero(nights == name)) for name in enough])
        return Effect(found, NIGHTS, "nights")
    values = pseudo_values(estimator, nights.size)
    design = (nights[:, None] == names).astype(np.float64)
    return Effect(contrast(values, design, counts / nights.size, nights), FRAMES, "lights")


def _common(series: Series, claim: Claim, rows: npt.NDArray[np.intp]) -> float:
    """Error of a comparison of planes that all lights have in common, from relative errors plane by plane."""
    first, second = claim.first.planes, claim.second.planes
    mean = {p: float(lights_of(series, claim.quantity, [p])[rows].mean()) for p in {*first, *second}}
    top, whole = sum(mean[p] for p in first), sum(mean[p] for p in second)
    inner = {part for p in first for part in (("G1", "G2") if p == "G" else (p,))}
    total = 0.0
    for p, value in mean.items():
        error = series.shared_error("information" if "information" in claim.quantity else claim.quantity, p)
        if claim.compare == "share":
            held = p in first or p in inner
            slope = (
                (value / whole * (1 - top / whole) if held else -value / whole * (top / whole))
                if p in second
                else 0.0
            )
        elif claim.compare == "difference":
            slope = value
        else:
            slope = (value / top if p in first else 0.0) - (value / whole if p in second else 0.0)
        total += (slope * error) ** 2
    return float(np.sqrt(total))


def of_groups(
    series: Series, claim: Claim, plane: str, first: Mask, second: Mask, fixed: bool = False
) -> Effect:
    """A group of lights against another one, in one plane.

    Parameters
    ----------
    series : Series
    claim : Claim
    plane : str
    first, second : (n,) bool
        Lights of the groups.
    fixed : bool
        The groups are certain nights, which stand for no others.

    Raises
    ------
    Untold
        Too few lights, or values that cannot be compared.
    """
    x = lights_of(series, claim.quantity, [plane])
    typical = bool(claim.at_equal) or not QUANTITIES[claim.quantity].adds
    ratio = claim.compare == "ratio"
    usable = np.isfinite(x) & (first ^ second)
    if ratio and typical:
        with np.errstate(invalid="ignore"):
            usable &= x > 0
    besides = [covariate(series, name, plane) for name in claim.at_equal]
    for column in besides:
        usable &= np.isfinite(column)
    rows = np.flatnonzero(usable)
    one, other = first[rows], second[rows]
    _need(int(one.sum()), claim.least_lights, claim.first.words)
    _need(int(other.sum()), claim.least_lights, claim.second.words)
    nights, x = np.array(series.nights)[rows], x[rows]
    extra = np.array([column[rows] for column in besides]).reshape(len(besides), rows.size).T
    if ratio and not typical and not (_positive(x[one]) and _positive(x[other])):
        raise Untold(f"the {QUANTITIES[claim.quantity].means} is not above zero")
    values = np.log(x) if ratio and typical else x
    return _groups(values, extra, nights, one, other, ratio and not typical, fixed, claim.least_nights)


def _groups(
    values: Float64, extra: Float64, nights: npt.NDArray[np.str_], one: Mask, other: Mask, log_of_mean: bool, fixed: bool, least: int
) -> Effect:  # fmt: skip
    """By nights, by pairs of neighbours, or by stretches of time: the first of them that the lights allow."""
    cells = np.array([f"{night}/{'a' if here else 'b'}" for night, here in zip(nights, one, strict=True)])
    names, where = np.unique(cells, return_inverse=True)
    dummies = np.eye(names.size)[where]
    equal = values - _fitted(values, extra, dummies)
    apart = nights_apart(nights, one, other, ENOUGH)
    if least > 1:
        _need(len({*apart.first, *apart.second}), least, f"nights of {ENOUGH} lights or more")

    def level(mask: Mask) -> float:
        mean = float(equal[mask].mean())
        return float(np.log(mean)) if log_of_mean and mean > 0 else float("nan") if log_of_mean else mean

    if not fixed and len(apart.both) >= ENOUGH:
        steps = [level(one & (nights == n)) - level(other & (nights == n)) for n in apart.both]
        return Effect(mean_of_nights(steps), NIGHTS, "nights")
    if not fixed and min(len(apart.first), len(apart.second)) >= 2 and not interleaved(nights, one, other):
        sides = (
            [level(own & (nights == n)) for n in held]
            for own, held in ((one, apart.first), (other, apart.second))
        )
        return Effect(difference_of_nights(*sides), NIGHTS, "nights")
    if log_of_mean:
        values, equal = _linear(values, one), _linear(equal, one)
    if pairs := interleaved(nights, one, other):
        return Effect(mean_of_pairs([equal[i] - equal[j] for i, j in pairs]), FRAMES, "pairs")
    here = np.array([name.endswith("/a") for name in names])
    sizes = np.bincount(where)
    asked = np.where(here, sizes / sizes[here].sum(), -sizes / sizes[~here].sum())
    design = np.hstack([dummies, extra - extra.mean(axis=0)])
    found = contrast(values, design, np.concatenate([asked, np.zeros(extra.shape[1])]), nights)
    return Effect(found, FRAMES, "lights")


def _linear(values: Float64, one: Mask) -> Float64:
    """Values whose means in the two groups are the logarithms of the means of the values given."""
    found = values.copy()
    for mask in (one, ~one):
        mean = float(values[mask].mean())
        found[mask] = np.log(mean) + values[mask] / mean - 1
    return found


def _fitted(values: Float64, extra: Float64, dummies: Float64) -> Float64:
    """What covariates explain within nights and groups, about their mean."""
    if not extra.shape[1]:
        return np.zeros(values.size)

    def within(x: Float64) -> Float64:
        return np.asarray(x - dummies @ ((dummies.T @ x) / dummies.sum(axis=0)[:, None]))

    slopes = np.linalg.lstsq(within(extra), within(values[:, None]), rcond=1e-9)[0]
    return np.asarray((extra - extra.mean(axis=0)) @ slopes[:, 0])


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
    _need(rows.size, claim.least_lights, claim.first.words)
    step = float(np.log(claim.step)) if COVARIATES[claim.over] == "times" else claim.step
    nights, y, z = np.array(series.nights)[rows], np.log(x[rows]), along[rows] / step
    design = np.column_stack([z - z.mean(), *(column[rows] - column[rows].mean() for column in besides)])
    if not float(z.std()) > 0:
        raise Untold(f"{claim.over} is the same for all lights")
    names = [str(n) for n in np.unique(nights) if z[nights == n].std() > 0.25 * z.std()]
    names = [n for n in names if (nights == n).sum() > design.shape[1] + ENOUGH]
    if claim.least_nights > 1:
        _need(len(names), claim.least_nights, f"nights in which {claim.over} changes")
    if len(names) >= ENOUGH:
        return Effect(mean_of_nights([_slope(y, design, nights == n) for n in names]), NIGHTS, "nights")
    dummies = (nights[:, None] == np.unique(nights)).astype(np.float64)
    asked = np.eye(design.shape[1] + dummies.shape[1])[dummies.shape[1]]
    return Effect(contrast(y, np.hstack([dummies, design]), asked, nights), FRAMES, "lights")


def _slope(y: Float64, design: Float64, own: Mask) -> float:
    columns = np.column_stack([np.ones(int(own.sum())), design[own]])
    return float(np.linalg.lstsq(columns, y[own], rcond=None)[0][1])
