"""Sky brightness with and without the Moon, in V.

Source of the model: Krisciunas & Schaefer 1991, PASP 103, 1033 (equation numbers below); its own estimate of
accuracy is 8 to 23 per cent. It leaves out the surge of the Moon within some 7 degrees of opposition, up to a third
(Whitaker 1969, NASA SP-201; size as others cite it). Its air mass is not the extinction air mass; do not mix them.
"""

from __future__ import annotations

import numpy as np

__all__ = [
    "TWILIGHT_DEG",
    "air_mass",
    "dark_nl",
    "magnitude",
    "moon_nl",
    "moon_scattering",
    "moon_strength",
    "nanolamberts",
]

NEAR_DEG = 10.0
"""Nearer to the Moon its light is held: equation 21 of the scattering by dust was made beyond."""
TWILIGHT_MAG = 1.0
"""A degree by which the Moon's light falls when it is down, V mag. The model ends at the horizon, where the Moon still
lights the air above: that of the Sun falls by 0.9 to 1.5 mag a degree in the zenith (Patat, Ugolnikov & Postylyakov
2006, A&A 455, 385; nearer to the horizon from memory)."""
TWILIGHT_DEG = 6.0
"""Below the horizon, where the rest is 1/250."""


def nanolamberts(magnitude_v: float) -> float:
    """Luminance in nanolamberts of a sky of ``magnitude_v`` mag per square arcsecond (equation 1).

    >>> round(nanolamberts(21.587), 1)
    79.0
    """
    return float(34.08 * np.exp(20.7233 - 0.92104 * magnitude_v))


def magnitude(luminance_nl: float) -> float:
    """V mag per square arcsecond of a luminance in nanolamberts; the inverse of `nanolamberts`."""
    return float((20.7233 - np.log(luminance_nl / 34.08)) / 0.92104)


def air_mass(zenith_deg: float) -> float:
    """Air mass inside the model (equation 3); 5 at the horizon."""
    return float((1.0 - 0.96 * np.sin(np.radians(zenith_deg)) ** 2) ** -0.5)


def moon_strength(phase_deg: float) -> float:
    """Illuminance of the Moon outside the atmosphere, footcandles (equation 20); phase 0 is full."""
    phase = abs(phase_deg)
    return float(10.0 ** (-0.4 * (3.84 + 0.026 * phase + 4e-9 * phase**4)))


def moon_scattering(separation_deg: float) -> float:
    """Scattering function of the angle from the Moon (equations 16, 18, 21): Rayleigh and Mie parts.

    >>> round(moon_scattering(90.0))
    250775
    """
    cosine = np.cos(np.radians(separation_deg))
    return float(10.0**5.36 * (1.06 + cosine**2) + 10.0 ** (6.15 - separation_deg / 40.0))


def moon_nl(
    phase_deg: float, moon_zenith_deg: float, zenith_deg: float, separation_deg: float, extinction_mag: float
) -> float:
    """Moonlight scattered by the sky, nanolamberts (equation 15), with its twilight; zero when it is well down.

    Within 10 degrees of the Moon it is that at 10.
    """
    below = max(moon_zenith_deg - 90.0, 0.0)
    if below > TWILIGHT_DEG:
        return 0.0
    toward_moon = 10.0 ** (
        -0.4 * (extinction_mag * air_mass(min(moon_zenith_deg, 90.0)) + TWILIGHT_MAG * below)
    )
    scattered = 1.0 - 10.0 ** (-0.4 * extinction_mag * air_mass(zenith_deg))
    outside = moon_scattering(max(separation_deg, NEAR_DEG)) * moon_strength(phase_deg)
    return float(outside * toward_moon * scattered)


def dark_nl(zenith_mag: float, zenith_deg: float, extinction_mag: float) -> float:
    """Moonless sky at a zenith distance, nanolamberts, from its brightness at the zenith (equation 2)."""
    mass = air_mass(zenith_deg)
    return float(nanolamberts(zenith_mag) * 10.0 ** (-0.4 * extinction_mag * (mass - 1.0)) * mass)
