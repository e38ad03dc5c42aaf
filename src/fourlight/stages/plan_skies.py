"""Length of subs, signal over noise and hours needed under several skies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.airmass import air_mass, lifted_deg
from fourlight.core.moonlight import magnitude, moon_nl
from fourlight.sensor.rig import Rig
from fourlight.stages.plan_light import of_one, snr_per_sub
from fourlight.stages.plan_sub import SubLength, sub_length
from fourlight.stages.plan_time import Needed, time_needed
from fourlight.stages.plan_wish import Wish

__all__ = ["Moonlight", "SubPlan", "Under", "plan_subs", "sub_under"]

Float64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Moonlight:
    """A Moon in the sky: lit share, angle from the target, altitude."""

    lit: float
    apart_deg: float
    altitude_deg: float = 40.0

    @property
    def phase_deg(self) -> float:
        """Angle Sun, Moon, Earth.

        >>> round(Moonlight(0.5, 90.0).phase_deg, 6), Moonlight(1.0, 90.0).phase_deg
        (90.0, 0.0)
        """
        return float(np.degrees(np.arccos(2 * self.lit - 1)))


@dataclass(frozen=True)
class Under:
    """Subs under one sky."""

    moon: Moonlight | None
    mag: float
    """Of the sky at the target, V mag per square arcsec."""
    sub: SubLength
    snr: dict[str, float]
    """Of the patch, from an hour of light."""
    needed: Needed | None


@dataclass(frozen=True)
class SubPlan:
    """Subs under every sky that was asked for."""

    rig: Rig
    wish: Wish
    sky_mag: float
    altitude_deg: float
    extinction_mag: float
    air_mass: float
    skies: list[Under]

    @property
    def passed(self) -> float:
        """Part of the light of target and stars that air lets through."""
        return float(10.0 ** (-0.4 * self.extinction_mag * self.air_mass))


def plan_subs(
    rig: Rig, wish: Wish, sky_mag: float, moons: list[Moonlight], altitude_deg: float, extinction_mag: float
) -> SubPlan:
    """Subs under the dark sky, and under each Moon.

    Parameters
    ----------
    rig : Rig
    wish : Wish
    sky_mag : float
        At the target, without the Moon, V mag per square arcsec.
    moons : list of Moonlight
    altitude_deg : float
        Of the target.
    extinction_mag : float
        Per air mass in V.
    """
    mass = float(air_mass(lifted_deg(altitude_deg)))
    skies: list[Under] = []
    plan = SubPlan(rig, wish, sky_mag, altitude_deg, extinction_mag, mass, skies)
    for moon in (None, *moons):
        added = 0.0
        if moon is not None:
            added = moon_nl(
                moon.phase_deg, 90 - moon.altitude_deg, 90 - altitude_deg, moon.apart_deg, extinction_mag
            )
        skies.append(_under(rig, wish, sky_mag, moon, added, plan.passed))
    return plan


def _under(
    rig: Rig, wish: Wish, sky_mag: float, moon: Moonlight | None, added_nl: float, passed: float
) -> Under:
    moonlit = magnitude(added_nl) if added_nl > 0 else None
    sky = rig.sky(sky_mag, moonlit)
    both = sky_mag if moonlit is None else -2.5 * np.log10(10 ** (-0.4 * sky_mag) + 10 ** (-0.4 * moonlit))
    sub = sub_under(rig, wish, sky, passed)
    snr = snr_per_sub(
        rig, wish.target, sky, sub.advised_s, wish.area_arcsec2, passed=passed, subs=3600 / sub.advised_s
    )
    needed = None
    if wish.goal is not None:
        about, reached = of_one(snr)
        needed = time_needed(about, reached, wish.goal, wish.hours, wish.clear)
    return Under(moon, float(both), sub, snr, needed)


def sub_under(rig: Rig, wish: Wish, sky: Float64, passed: float) -> SubLength:
    """The length of a sub under a sky, (3,) electrons per second of a pixel, and through air."""
    return sub_length(
        rig, wish.target, sky, loss=wish.loss, fwhm_arcsec=wish.fwhm_arcsec, keep_mag=wish.keep_mag,
        longest_s=wish.longest_s, passed=passed,
    )  # fmt: skip
