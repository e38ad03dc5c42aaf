"""What is compared: a camera with its optics, the filters that take their turns before it, and what comes between."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fourlight.core import clock
from fourlight.errors import InputError
from fourlight.sensor.rig import Rig

__all__ = ["Costs", "Glass", "Setup", "Spent", "Taken", "taken"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

MOST_SUBS = 100_000
"""In one night; shorter subs are refused."""


@dataclass(frozen=True, slots=True)
class Costs:
    """Time that is no light, seconds."""

    change_s: float = 15.0
    refocus_s: float = 120.0
    refocus_min: float = 60.0
    """Minutes after which it is due again."""
    refocus_after_change: bool = True
    download_s: float = 3.0
    dither_s: float = 10.0
    dither_every: int = 1
    """Subs between two moves of the mount."""
    flats: int = 20
    """For each filter."""
    flat_s: float = 5.0
    """For one flat, reading out included."""
    flats_within: bool = True
    """Whether they take time of the hours; else they are made in twilight or by day."""


@dataclass(frozen=True)
class Glass:
    """One filter in front of the camera."""

    called: str
    rig: Rig
    """Camera and optics behind it."""
    share: float
    sub_s: float
    dyes_pass: float | None = None
    """What dyes pass at best, where the curve of a camera without them is that of one with them."""

    @cached_property
    def narrow(self) -> bool:
        """Whether it passes narrow bands alone."""
        return self.rig.filter.narrow


@dataclass(frozen=True)
class Setup:
    """One of those that are compared."""

    name: str
    glass: tuple[Glass, ...]
    costs: Costs
    round_min: float | None = None
    """Minutes of light in one round through all filters; None: one filter after another, each once in the night."""
    assumed: tuple[str, ...] = field(default=(), compare=False)

    @property
    def calibration_s(self) -> float:
        """Time of flats that the hours pay for."""
        costs = self.costs
        return costs.flats * costs.flat_s * len(self.glass) if costs.flats_within else 0.0

    @property
    def sub_s(self) -> Float64:
        """(f,) length of subs."""
        return np.array([each.sub_s for each in self.glass])

    @property
    def share(self) -> Float64:
        """(f,) of the light."""
        return np.array([each.share for each in self.glass])

    def seconds(self, factors: Float64 | None = None) -> Float64:
        """(5,) costs as `fourlight.core.clock` takes them, times factors."""
        costs = self.costs
        each = np.array(
            [costs.change_s, costs.refocus_s, 60 * costs.refocus_min, costs.download_s, costs.dither_s]
        )
        return each if factors is None else each * factors


@dataclass(frozen=True)
class Spent:
    """Where the hours go, seconds; together they are all of them."""

    light: tuple[tuple[str, float], ...]
    """By filter, in order."""
    between: float
    """Reading out and dithering."""
    changes: float
    refocus: float
    flats: float
    rest: float
    """Too short for one more sub."""

    @property
    def light_s(self) -> float:
        """Of all filters."""
        return sum(seconds for _, seconds in self.light)


@dataclass(frozen=True, eq=False)
class Taken:
    """Subs of a night."""

    ends_s: Float64
    """(n,) when each is there, seconds from the first moment."""
    which: Int64
    """(n,) its filter."""
    spent: Spent
    round_s: float
    """Light of one round."""


def taken(setup: Setup, hours: float, factors: Float64 | None = None, round_s: float | None = None) -> Taken:
    """Subs that a setup takes in so many hours of the clock; flats, where the hours pay for them, come last.

    Parameters
    ----------
    setup : Setup
    hours : float
    factors : (5,) float64, optional
        By which costs differ from those stated.
    round_s : float, optional
        Light of one round; that of the setup, or the longest that fits, unless given.

    Raises
    ------
    InputError
        A sub is longer than the time there is, or there would be too many of them.
    """
    span = hours * 3600 - setup.calibration_s
    subs, costs = setup.sub_s, setup.seconds(factors)
    if factors is None:
        _refuse(setup, hours, span)
    every, after = setup.costs.dither_every, setup.costs.refocus_after_change
    if round_s is None:
        minutes = setup.round_min
        fitting = 0.0
        if minutes is None:
            fitting = clock.round_that_fits(
                span, subs, setup.share, costs, dither_every=every, refocus_after_change=after
            )
        round_s = 60 * minutes if minutes is not None else fitting or float(subs.sum())
    ends, which, spent = clock.laid_out(
        span, subs, setup.share, round_s, costs, dither_every=every, refocus_after_change=after
    )
    count = len(subs)
    light = tuple((each.called, float(s)) for each, s in zip(setup.glass, spent[:count], strict=True))
    rest = span - float(spent.sum())
    # The mount would move after the last sub too, into time that is over.
    between = float(spent[count]) + min(rest, 0.0)
    found = Spent(
        light, between, float(spent[count + 1]), float(spent[count + 2]), setup.calibration_s, max(rest, 0.0)
    )
    return Taken(ends, which, found, round_s)


def _refuse(setup: Setup, hours: float, span: float) -> None:
    costs = setup.costs
    longest = max(setup.glass, key=lambda each: each.sub_s)
    needed = longest.sub_s + costs.download_s + costs.refocus_s
    if span < needed:
        flats = f", less {setup.calibration_s / 60:.0f} min for flats," if setup.calibration_s else ""
        raise InputError(
            f"{setup.name}: a sub of {longest.sub_s:g} s through {longest.called} takes {needed:g} s with refocus and "
            f"reading out; {hours:g} h{flats} leave {max(span, 0):.0f} s; take shorter subs or more hours"
        )
    if span / float(setup.sub_s.min()) > MOST_SUBS:
        raise InputError(
            f"{setup.name}: subs of {float(setup.sub_s.min()):g} s would be more than {MOST_SUBS} in a night; take "
            "longer ones"
        )
