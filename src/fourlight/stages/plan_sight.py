"""A target in a night: how high, how far from the Moon, before how bright a sky, and what time is best for it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.airmass import air_mass, lifted_deg
from fourlight.core.moonlight import dark_nl, magnitude, moon_nl, nanolamberts
from fourlight.sky.crossings import meridian_passages
from fourlight.sky.heavens import Seen
from fourlight.sky.site import Site
from fourlight.stages.plan_night import STEP_S, Night, Place, steps_of, stretches

__all__ = ["HALF", "Sight", "Sky", "least_altitudes", "sight_of", "sky_at"]

Float64 = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

HALF = 0.5
"""Of the best worth of an hour, below which time is not counted to the best window."""
LOWEST = 40.0
"""Air mass that stands for all below the horizon."""


@dataclass(frozen=True, slots=True)
class Sky:
    """Brightness of the sky at the target, V mag per square arcsecond; all arrays alike."""

    dark_mag: Float64
    """Without the Moon."""
    moonlit_mag: Float64
    """What the Moon adds, by itself; infinite while it is well down."""
    mag: Float64
    """Both."""


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """A target over the moments of a night; arrays are (n,)."""

    place: Place
    target: Seen
    air_mass: Float64
    """NaN below the horizon."""
    moon_apart_deg: Float64
    sky: Sky
    meridian_s: tuple[float, ...]
    """Passages of the upper meridian."""
    usable: Bools
    """Dark, the target high enough and not behind the skyline."""
    worth: Float64
    """Of a minute over one in the zenith under the dark sky of the site: squared signal over noise where sky rules."""
    best: tuple[float, float, float] | None
    """Start, end and worth in hours of the best stretch, see `sight_of`; None where no time is usable."""

    @property
    def usable_h(self) -> float:
        """Hours in which the target can be photographed."""
        return float(steps_of(self.usable).sum()) * STEP_S / 3600

    @property
    def worth_h(self) -> float:
        """As many hours in the zenith under the dark sky."""
        return float(steps_of(self.usable) @ self.worth) * STEP_S / 3600

    @property
    def highest_deg(self) -> float:
        """Altitude on the meridian."""
        return float(self.target.altitude_deg.max())


def sight_of(night: Night, place: Place) -> Sight:
    """A target in a night.

    The best stretch is usable time that is worth half of the best minute or more; of several, the one that is worth
    most in all.
    """
    site, heavens, when = night.site, night.heavens, night.moments_s
    target = heavens.fixed(place.ra_deg, place.dec_deg, when)
    apart = target.apart_deg(night.moon)
    sky = sky_at(site, target.altitude_deg, night.moon.altitude_deg, heavens.phase_deg(when), apart)
    mass = air_mass(lifted_deg(target.altitude_deg))
    usable = night.dark_now & (target.altitude_deg >= least_altitudes(night, target.azimuth_deg))
    clear = 10.0 ** (-0.8 * site.extinction_mag * (np.nan_to_num(mass, nan=LOWEST) - 1.0))
    bright = nanolamberts(site.sky_mag) / np.array([nanolamberts(mag) for mag in sky.mag])
    passages = meridian_passages(heavens, place.ra_deg, place.dec_deg, float(when[0]), float(when[-1]))
    worth = np.asarray(clear * bright)
    return Sight(place, target, mass, apart, sky, tuple(passages), usable, worth, _best(when, usable, worth))


def least_altitudes(night: Night, azimuth_deg: Float64) -> Float64:
    """Altitudes from which a target counts as up in directions."""
    least = np.full(azimuth_deg.shape, night.goal.least_altitude_deg)
    skyline = night.site.skyline
    return least if skyline is None else np.maximum(least, skyline.at(azimuth_deg))


def _best(when: Float64, usable: Bools, worth: Float64) -> tuple[float, float, float] | None:
    if not usable.any():
        return None
    good = usable & (worth >= HALF * worth[usable].max())
    each = steps_of(good) * worth * STEP_S / 3600
    total, a, b = max((float(each[a : b + 1].sum()), a, b) for a, b in stretches(good))
    return float(when[a]), float(when[b]), total


def sky_at(
    site: Site, altitude_deg: Float64, moon_altitude_deg: Float64, phase_deg: Float64, apart_deg: Float64
) -> Sky:
    """Brightness of the sky at a place of it, by the model of Krisciunas & Schaefer 1991 (8 to 23 %).

    Twilight, towns in one direction, the Milky Way and cloud are not counted.
    """
    dark, moonlit, both = [], [], []
    for high, moon_high, phase, apart in zip(
        altitude_deg, moon_altitude_deg, phase_deg, apart_deg, strict=True
    ):
        zenith = min(90.0 - float(high), 90.0)
        base = dark_nl(site.sky_mag, zenith, site.extinction_mag)
        added = moon_nl(float(phase), 90.0 - float(moon_high), zenith, float(apart), site.extinction_mag)
        dark.append(magnitude(base))
        moonlit.append(magnitude(added) if added > 0 else np.inf)
        both.append(magnitude(base + added))
    return Sky(np.array(dark), np.array(moonlit), np.array(both))
