"""Claims tested on the lights of a run: effect, interval, verdict, and what each holds for."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from typing import Any

import numpy as np

from fourlight.core.estimates import NOTHING
from fourlight.core.trials import LEVEL
from fourlight.engine import nothing
from fourlight.stages import claim_effects, claim_groups, claim_patches, claim_words
from fourlight.stages.claim_effects import FRAMES, Effect
from fourlight.stages.claim_file import Claim
from fourlight.stages.claim_lights import Untold, group
from fourlight.stages.claim_terms import NIGHT, Side
from fourlight.stages.series import Series
from fourlight.stages.verdicts import (
    CANNOT_TELL,
    CONTRADICTED,
    REACH,
    Bar,
    Verdict,
    asked,
    out_of_reach,
    verdicts,
    would_need,
)

__all__ = ["Finding", "Need", "findings"]


@dataclass(frozen=True, slots=True)
class Need:
    """How many more would tell."""

    more: int
    in_all: int
    of: str
    """'lights', 'nights' or 'patches'."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A claim, tested; numbers that are not known are None."""

    claim: str
    """Name, with its part."""
    name: str
    part: str
    """The plane or the night where it is tested in several; else empty."""
    question: str
    plane: str
    """Empty where planes are compared."""
    effect: float | None
    low: float | None
    """Of the interval at `fourlight.core.trials.LEVEL`."""
    high: float | None
    unit: str
    p: float | None
    """Against the null, two-sided."""
    verdict: Verdict
    scope: str
    """'these frames' or 'nights like these'."""
    would_need: Need | None
    """Where nothing can be told, and a number is within reach."""
    sentence: str

    def as_dict(self) -> dict[str, Any]:
        """Plain types, fit for JSON."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class _Case:
    """One plane or night of a claim."""

    claim: Claim
    part: str
    plane: str
    sides: tuple[Side, Side]
    effect: Callable[[], Effect]


def findings(
    series: Series, claims: Sequence[Claim], progressed: Callable[[], None] = nothing
) -> list[Finding]:
    """Test claims on the lights of a run.

    Verdicts depend on all claims that are tested together (`fourlight.stages.verdicts.verdicts`): to ask for one,
    test all and show the one.

    Parameters
    ----------
    series : Series
    claims : sequence of Claim
    progressed : callable
        Called after each claim.

    Returns
    -------
    list of Finding
        In the order of the claims, one for each plane or night.
    """
    cases, found = list[_Case](), list[Effect | str]()
    for claim in claims:
        cases += (own := list(_cases(series, claim)))
        found += [_effect(case) for case in own]
        progressed()
    bars = [_bar(case.claim, effect) for case, effect in zip(cases, found, strict=True)]
    told = [effect.estimate if isinstance(effect, Effect) else NOTHING for effect in found]
    among = sum(estimate.told for estimate in told)
    judged = [
        _Judged(bar, verdict, verdicts([estimate], [bar])[0] != verdict, p, among)
        for estimate, bar, verdict, p in zip(told, bars, verdicts(told, bars), asked(told, bars), strict=True)
    ]
    return [
        _untold(case, effect) if isinstance(effect, str) else _finding(case, effect, how)
        for case, effect, how in zip(cases, found, judged, strict=True)
    ]


@dataclass(frozen=True, slots=True)
class _Judged:
    """What became of a claim among all others."""

    bar: Bar
    verdict: Verdict
    otherwise: bool
    """Whether it would be told otherwise alone."""
    asked: float
    """The p that would tell it."""
    among: int
    """Claims that were tested with it, itself counted."""


def _cases(series: Series, claim: Claim) -> Iterator[_Case]:
    """One for each plane; for each night too where the claim says so."""
    sides = (claim.first, claim.second)
    if claim.compare == "unevenness":
        effect = partial(claim_patches.of_unevenness, series, claim)
        yield _Case(claim, "", "+".join(claim.planes), sides, effect)
    elif claim.first.kind == "planes":
        yield _Case(claim, "", "", sides, partial(claim_effects.of_planes, series, claim))
    elif claim.of == "each night":
        for plane in claim.planes:
            yield from _nights(series, claim, plane)
    else:
        for plane in claim.planes:
            part = plane if len(claim.planes) > 1 else ""
            yield _Case(claim, part, plane, sides, partial(_in_plane(claim), series, claim, plane))


def _in_plane(claim: Claim) -> Callable[[Series, Claim, str], Effect]:
    if claim.first.kind == "treatment":
        return claim_patches.of_treatments
    return claim_effects.of_slope if claim.compare == "slope" else _groups


def _groups(series: Series, claim: Claim, plane: str) -> Effect:
    """Two groups; certain nights stand for no others."""
    names = (claim.first.name, claim.second.name)
    fixed = any(NIGHT.fullmatch(name) or name.endswith(" night") for name in names)
    one, other = (group(series, name) for name in names)
    return claim_groups.of_groups(series, claim, plane, one, other, fixed)


def _nights(series: Series, claim: Claim, plane: str) -> Iterator[_Case]:
    """Each night against the others: of two nights the first against the second alone."""
    every = np.array(series.nights)
    names = sorted(set(every[every != ""].tolist()))  # lights of no known night may be of any
    part = plane if len(claim.planes) > 1 else ""
    if len(names) < 2:
        yield _Case(claim, part, plane, (claim.first, claim.second), partial(_too_few, len(names)))
        return
    other = Side("group", f"night {names[1]}") if len(names) == 2 else claim.second
    for name in names[:1] if len(names) == 2 else names:
        own = every == name
        effect = partial(claim_groups.of_groups, series, claim, plane, own, ~own & (every != ""), fixed=True)
        both = f"{part}, {name}" if part else name
        yield _Case(claim, both, plane, (Side("group", f"night {name}"), other), effect)


def _too_few(nights: int) -> Effect:
    raise Untold(f"{nights} night{'s' if nights != 1 else ''} found; 2 are needed")


def _effect(case: _Case) -> Effect | str:
    """The effect, or why it cannot be told."""
    try:
        found = case.effect()
    except Untold as reason:
        return str(reason)
    return found if found.estimate.told else "the values at hand do not tell it apart from what else changes"


def _bar(claim: Claim, effect: Effect | str) -> Bar:
    """Null and what matters, on the scale of the estimate."""
    null, matters = claim.null, claim.matters
    if claim.compare in ("ratio", "slope"):
        null, matters = math.log(null), math.log(matters)
    elif claim.compare == "unevenness":
        noise = effect.noise if isinstance(effect, Effect) else 1.0
        null, matters = (claim_patches.agreement(size, noise) for size in (null, matters))
    return Bar(null, matters, claim.direction)


def _size(claim: Claim, value: float, noise: float) -> float:
    """From the scale of the estimate to the unit of the effect."""
    if claim.compare in ("ratio", "slope"):
        return math.exp(min(value, 700.0))
    return claim_patches.unevenness(min(value, 300.0), noise) if claim.compare == "unevenness" else value


def _untold(case: _Case, why: str) -> Finding:
    """Where there is no effect to judge."""
    return Finding(
        **_named(case), effect=None, low=None, high=None, p=None, verdict=CANNOT_TELL, scope=FRAMES, would_need=None,
        sentence=f"Cannot tell: {why}.",
    )  # fmt: skip


def _finding(case: _Case, effect: Effect, judged: _Judged) -> Finding:
    trial = effect.estimate.trial(judged.bar.null, LEVEL)
    size, low, high = (_size(case.claim, x, effect.noise) for x in (trial.value, trial.low, trial.high))
    need = _need(effect, judged) if judged.verdict == CANNOT_TELL else None
    plane = case.plane if case.claim.compare != "unevenness" else ""
    found = claim_words.sentence(case.claim, plane, case.sides, (size, low, high))
    said = [f"{judged.verdict.capitalize()} for {effect.scope}: {found}.", *_besides(effect, judged, need)]
    return Finding(
        **_named(case), effect=size, low=low, high=high, p=trial.p, verdict=judged.verdict, scope=effect.scope,
        would_need=need, sentence=" ".join(said),
    )  # fmt: skip


def _named(case: _Case) -> dict[str, Any]:
    """What a finding is of."""
    claim = case.claim
    return {
        "claim": claim_words.claim_name(claim, case.part),
        "name": claim.name,
        "part": case.part,
        "question": claim.question,
        "plane": case.plane,
        "unit": claim_words.unit(claim),
    }


def _besides(effect: Effect, judged: _Judged, need: Need | None) -> Iterator[str]:
    """What else is to be said of a verdict."""
    bar = judged.bar
    if judged.verdict == CONTRADICTED and bar.null != bar.matters and bar.shows_effect(effect.estimate):
        yield "There is an effect, but one too small to matter."
    if judged.otherwise and judged.among > 1 and judged.verdict == CANNOT_TELL:
        yield f"Alone it would be told; of {judged.among} claims tested together one as clear may be chance."
    if need:
        kind = need.of if need.more > 1 else need.of.removesuffix("s")
        yield f"About {need.more} more {kind} like these would tell."
    elif _out_of_reach(effect, judged):
        of = "nights" if effect.counted == "nights" else "lights"
        yield f"To tell is out of reach: it would take more than {REACH} times as many {of} like these."


def _need(effect: Effect, judged: _Judged) -> Need | None:
    """Where more lights or nights help, as many as tell it among the other claims; patches are what the field holds."""
    number, seen = would_need(effect.estimate, judged.bar, judged.asked), effect.estimate.number
    if number is None or effect.counted == "patches":
        return None
    each = 2 if effect.counted == "pairs" else 1
    return Need((number - seen) * each, number * each, "nights" if effect.counted == "nights" else "lights")


def _out_of_reach(effect: Effect, judged: _Judged) -> bool:
    """Whether far too many lights or nights would be needed."""
    counted = judged.verdict == CANNOT_TELL and effect.counted != "patches"
    return counted and out_of_reach(effect.estimate, judged.bar, judged.asked)
