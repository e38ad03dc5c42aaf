"""A group of lights against another one: from night to night, from light to next light, or from stretch to stretch."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core.correlated import contrast
from fourlight.core.estimates import difference_of_nights, mean_of_nights, mean_of_pairs
from fourlight.stages.claim_effects import ENOUGH, FRAMES, NIGHTS, Effect, need, positive
from fourlight.stages.claim_file import Claim
from fourlight.stages.claim_lights import Untold, covariate, interleaved, lights_of, nights_apart
from fourlight.stages.claim_terms import QUANTITIES
from fourlight.stages.series import Series

__all__ = ["of_groups"]

Float64 = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


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
    lights = _of_use(series, claim, plane, first, second)
    return _by_nights(lights, fixed, claim.least_nights) or _by_lights(lights, claim.night_scatter)


@dataclass(frozen=True, slots=True)
class _Two:
    """Lights of two groups."""

    values: Float64
    extra: Float64
    """(n, k) what else they differ in."""
    nights: npt.NDArray[np.str_]
    one: Mask
    other: Mask
    log_of_mean: bool
    """Means are compared by their logarithm; else values are logarithms already, or differences are asked for."""

    def equal(self, dummies: Float64) -> Float64:
        """Values less what covariates explain within nights and groups."""
        return self.values - _fitted(self.values, self.extra, dummies)

    def cells(self) -> tuple[npt.NDArray[np.bool_], Float64]:
        """(k,) whether a group of a night is of the first one, and (n, k) which one each light is of."""
        here = np.array(
            [f"{night}/{'a' if a else 'b'}" for night, a in zip(self.nights, self.one, strict=True)]
        )
        names, where = np.unique(here, return_inverse=True)
        return np.array([name.endswith("/a") for name in names]), np.eye(names.size)[where]


def _of_use(series: Series, claim: Claim, plane: str, first: Mask, second: Mask) -> _Two:
    """Lights of either group whose values are known, on the scale of the comparison."""
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
    need(int(one.sum()), claim.least_lights, claim.first.words)
    need(int(other.sum()), claim.least_lights, claim.second.words)
    x = x[rows]
    if ratio and not typical and not (positive(x[one]) and positive(x[other])):
        raise Untold(f"the {QUANTITIES[claim.quantity].means} is not above zero")
    return _Two(
        values=np.log(x) if ratio and typical else x,
        extra=np.array([column[rows] for column in besides]).reshape(len(besides), rows.size).T,
        nights=np.array(series.nights)[rows],
        one=one,
        other=other,
        log_of_mean=ratio and not typical,
    )


def _by_nights(lights: _Two, fixed: bool, least: int) -> Effect | None:
    """From night to night: differences within three nights or more, else two nights or more of each group."""
    apart = nights_apart(lights.nights, lights.one, lights.other, ENOUGH)
    if least > 1:
        need(len({*apart.first, *apart.second}), least, f"nights of {ENOUGH} lights or more")
    if fixed:
        return None
    equal = lights.equal(lights.cells()[1])

    def levels(own: Mask, names: tuple[str, ...]) -> Float64:
        means = np.array([equal[own & (lights.nights == name)].mean() for name in names])
        if not lights.log_of_mean:
            return means
        if not (means > 0).all():
            raise Untold("the mean of a night is not above zero")
        return np.asarray(np.log(means))

    if len(apart.both) >= ENOUGH:
        steps = levels(lights.one, apart.both) - levels(lights.other, apart.both)
        return Effect(mean_of_nights(steps), NIGHTS, "nights")
    alternate = interleaved(lights.nights, lights.one, lights.other)
    several = min(len(apart.first), len(apart.second)) >= 2 and len({*apart.first, *apart.second}) > ENOUGH
    if several and not alternate:
        sides = levels(lights.one, apart.first), levels(lights.other, apart.second)
        return Effect(difference_of_nights(*sides), NIGHTS, "nights")
    return None


def _by_lights(lights: _Two, scatter: float) -> Effect:
    """By pairs of neighbours where groups alternate, else by stretches of time.

    ``scatter``: of nights, for causes of their own: it adds to the error as far as the groups lie in different nights.
    """
    if lights.log_of_mean:
        lights = replace(lights, values=_linear(lights.values, lights.one), log_of_mean=False)
    here, dummies = lights.cells()
    if pairs := interleaved(lights.nights, lights.one, lights.other):
        equal = lights.equal(dummies)
        return Effect(mean_of_pairs([equal[i] - equal[j] for i, j in pairs]), FRAMES, "pairs")
    sizes = dummies.sum(axis=0)
    asked = np.where(here, sizes / sizes[here].sum(), -sizes / sizes[~here].sum())
    design = np.hstack([dummies, lights.extra - lights.extra.mean(axis=0)])
    of = np.concatenate([asked, np.zeros(lights.extra.shape[1])])
    found = contrast(lights.values, design, of, lights.nights)
    each = dummies @ (asked / sizes)
    names = np.unique(lights.nights)
    nightly = scatter * float(np.linalg.norm([each[lights.nights == name].sum() for name in names]))
    if found.told and nightly > found.reach() / 2:  # more lights would not help
        return Effect(replace(found.widened(nightly), number=names.size), FRAMES, "nights")
    return Effect(found.widened(nightly), FRAMES, "lights")


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
