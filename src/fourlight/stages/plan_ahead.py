"""Weeks and months ahead: hours of every night that are dark, without the Moon, and with the target high enough."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from fourlight.sky.crossings import HORIZON_LIFT_DEG
from fourlight.sky.heavens import LAST_YEAR, Heavens
from fourlight.sky.site import Site
from fourlight.stages.plan_night import Goal, Place, noon_of

__all__ = ["DARK", "DAY", "MOONLESS", "MOONLIT", "READY", "TWILIGHT", "UP", "Ahead", "look_ahead"]

Float64 = npt.NDArray[np.float64]
States = npt.NDArray[np.uint8]

STEP_S = 300.0
"""Between moments; hours are good to that."""
DAY, TWILIGHT, MOONLIT, MOONLESS, UP, READY = range(6)
"""States of a moment: Sun up; not far enough down; dark with the Moon up, without it; the same with the target."""
DARK = (MOONLIT, MOONLESS, UP, READY)
PARTS = 32
"""Nights that are looked at together, for memory's sake."""


@dataclass(frozen=True, slots=True, eq=False)
class Ahead:
    """Nights to come; arrays are (n,) but for the map."""

    evenings: tuple[date, ...]
    dark_h: Float64
    moonless_h: Float64
    target_h: Float64
    """Dark, with the target high enough, whatever the Moon does."""
    ready_h: Float64
    """The same without the Moon."""
    lit: Float64
    """Of the Moon's disk in the middle of the night."""
    states: States
    """(n, m) from noon to noon by the mean Sun."""


def look_ahead(site: Site, first: date, nights: int, place: Place | None, goal: Goal) -> Ahead:
    """Hours of ``nights`` nights from one on; those after the end of the ephemeris are left out.

    Raises
    ------
    InputError
        The first is out of range of the ephemeris.
    """
    noon_of(site, first)
    evenings = [first + timedelta(days=k) for k in range(nights)]
    evenings = [each for each in evenings if each.year <= LAST_YEAR]
    start = noon_of(site, evenings[0])
    heavens = Heavens(site, start - 3600, start + 86400.0 * len(evenings) + 3600)
    within = np.arange(0.0, 86400.0, STEP_S) + STEP_S / 2
    lit, rows = [], []
    for part in range(0, len(evenings), PARTS):
        noons = start + 86400.0 * np.arange(part, min(part + PARTS, len(evenings)))
        moments = (noons[:, None] + within).ravel()
        rows.append(_states(site, heavens, moments, place, goal).reshape(len(noons), -1))
        lit.append(heavens.lit(noons + 43200.0))
    states = np.concatenate(rows)

    def hours(*kinds: int) -> Float64:
        return np.asarray(np.isin(states, kinds).sum(axis=1) * STEP_S / 3600)

    return Ahead(
        tuple(evenings), hours(*DARK), hours(MOONLESS, READY), hours(UP, READY), hours(READY),
        np.concatenate(lit), states,
    )  # fmt: skip


def _states(site: Site, heavens: Heavens, moments: Float64, place: Place | None, goal: Goal) -> States:
    sun, moon = heavens.sun(moments).altitude_deg, heavens.moon(moments).altitude_deg
    dark, moonless = sun < -goal.sun_below_deg, moon < -HORIZON_LIFT_DEG
    high = np.zeros(len(moments), dtype=np.bool_)
    if place is not None:
        seen = heavens.fixed(place.ra_deg, place.dec_deg, moments)
        least = np.full(len(moments), goal.least_altitude_deg)
        if site.skyline is not None:
            least = np.maximum(least, site.skyline.at(seen.azimuth_deg))
        high = seen.altitude_deg >= least
    found = np.where(sun > -HORIZON_LIFT_DEG, DAY, TWILIGHT)
    found = np.where(dark, np.where(moonless, MOONLESS, MOONLIT), found)
    found = np.where(dark & high, np.where(moonless, READY, UP), found)
    return found.astype(np.uint8)
