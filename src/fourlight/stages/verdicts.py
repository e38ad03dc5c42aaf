"""Verdicts: supported, contradicted, cannot tell; one claim among the many of a run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from fourlight.core.estimates import Estimate
from fourlight.core.trials import LEVEL, discoveries, needed

__all__ = [
    "CANNOT_TELL",
    "CONTRADICTED",
    "REACH",
    "SUPPORTED",
    "Bar",
    "Verdict",
    "asked",
    "out_of_reach",
    "verdicts",
    "would_need",
]

Verdict = Literal["supported", "contradicted", "cannot tell"]

SUPPORTED: Verdict = "supported"
CONTRADICTED: Verdict = "contradicted"
CANNOT_TELL: Verdict = "cannot tell"

REACH = 10
"""Times as many lights or nights beyond which no number is promised: nobody goes out for a hundred nights to know."""


@dataclass(frozen=True, slots=True)
class Bar:
    """What an estimate is held against, on its own scale."""

    null: float
    matters: float
    direction: Literal["more", "less", "either"]

    def beyond(self, value: float) -> bool:
        """Whether a value is as large an effect as matters, on the side of the claim."""
        if self.direction == "either":
            return abs(value - self.null) >= abs(self.matters - self.null)
        return value >= self.matters if self.direction == "more" else value <= self.matters

    def p_of_effect(self, found: Estimate) -> float:
        """How likely chance is to show as much as this where there is nothing; 1 where it is too small to matter.

        A sure but small effect is not what is looked for: counted as a find, it would let others pass that are chance.
        """
        if not found.told:
            return float("nan")
        return found.p(self.null) if self.beyond(found.value) else 1.0

    def shows_effect(self, found: Estimate) -> bool:
        """Whether there is an effect on the side of the claim, of whatever size, judged alone."""
        away = (found.value - self.null) * {"more": 1, "less": -1}.get(self.direction, 0)
        return bool(found.told and away >= 0 and found.p(self.null) < 1 - LEVEL)

    def p_of_smallness(self, found: Estimate) -> float:
        """How likely chance is to show as little as this, where there is an effect that matters; 1 where it does."""
        if not found.told:
            return float("nan")
        if self.beyond(found.value) and found.value != self.matters:
            return 1.0
        ends = [self.matters] if self.direction != "either" else [self.matters, 2 * self.null - self.matters]
        return max(found.p(end) for end in ends)


def verdicts(estimates: Sequence[Estimate], bars: Sequence[Bar], share: float = 1 - LEVEL) -> list[Verdict]:
    """One for each estimate, such that few of those that are supported, and few of those contradicted, are chance.

    A claim is supported where its effect is beyond what matters, and the null is among those that
    `fourlight.core.trials.discoveries` gives up of all nulls of the run. It is contradicted where the effect that
    matters is among those given up of all such effects: that nothing was found is not enough. Both at one share
    (Benjamini & Hochberg 1995), each with two-sided p, so that a single claim is judged by its interval.
    """
    pairs = list(zip(estimates, bars, strict=True))
    held = discoveries([bar.p_of_effect(found) for found, bar in pairs], share)
    small = discoveries([bar.p_of_smallness(found) for found, bar in pairs], share)
    return [
        SUPPORTED if effect else CONTRADICTED if none else CANNOT_TELL
        for effect, none in zip(held.tolist(), small.tolist(), strict=True)
    ]


def asked(estimates: Sequence[Estimate], bars: Sequence[Bar], share: float = 1 - LEVEL) -> list[float]:
    """The p that each would have to reach to be told among the others, against the null or what matters, as it lies.

    >>> round(asked([Estimate(1.0, (1.0,), (1.0,), 9.0, 10)] * 4, [Bar(0.0, 0.5, "more")] * 4)[0], 4)
    0.0125
    """
    pairs = list(zip(estimates, bars, strict=True))
    number = max(sum(found.told for found in estimates), 1)
    held = discoveries([bar.p_of_effect(found) for found, bar in pairs], share).sum()
    small = discoveries([bar.p_of_smallness(found) for found, bar in pairs], share).sum()
    return [
        float(share * min((held if bar.beyond(found.value) else small) + 1, number) / number)
        for found, bar in pairs
    ]


def would_need(found: Estimate, bar: Bar, p: float = 1 - LEVEL) -> int | None:
    """Lights, nights or patches in all that would tell, if they are like those seen; None where no number is near.

    ``p`` is that which has to be reached, from `asked`. An effect that lies too near to what matters for a number is
    none either.

    What is to be told is the effect seen from the null, or, where it is smaller than what matters, from that; at least
    half of what lies between the two, since the effect seen is itself uncertain.
    """
    number = _number(found, bar, p)
    return number if found.number < number <= REACH * found.number else None


def out_of_reach(found: Estimate, bar: Bar, p: float = 1 - LEVEL) -> bool:
    """Whether more than `REACH` times as many would be needed to tell."""
    return _number(found, bar, p) > REACH * found.number


def _number(found: Estimate, bar: Bar, p: float) -> int:
    """How many would tell; 0 where that is not known."""
    if not (found.told and found.number):
        return 0
    near = bar.null if bar.beyond(found.value) else bar.matters
    if bar.direction == "either" and near != bar.null and found.value < bar.null:
        near = 2 * bar.null - bar.matters
    apart = max(abs(found.value - near), abs(bar.matters - bar.null) / 2)
    return needed(found.trial(bar.null), apart, found.number, level=1 - p)
