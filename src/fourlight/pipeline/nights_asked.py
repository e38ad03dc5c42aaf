"""Which night is meant, and what of that cannot be."""

from __future__ import annotations

from fourlight.errors import InputError

__all__ = ["check_night", "twilight_words"]

FULL_DARKNESS_DEG = 18.0


def check_night(least_altitude: float, sun_below: float) -> None:
    """Refuse altitudes and darkness that no night has."""
    if not 0 <= least_altitude <= 85:
        raise InputError(f"--least-altitude {least_altitude:g}: degrees from 0 to 85 are needed")
    if not 6 <= sun_below <= FULL_DARKNESS_DEG:
        raise InputError(
            f"--sun-below {sun_below:g}: degrees from 6 (bright twilight) to 18 (full darkness) are needed"
        )


def twilight_words(sun_below: float) -> list[str]:
    """What is assumed where twilight counts as darkness."""
    if sun_below >= FULL_DARKNESS_DEG:
        return []
    return ["twilight adds no light to the sky, though the Sun is less than 18 degrees down"]
