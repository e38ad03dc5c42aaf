"""Where somebody observes from: latitude, longitude, height, how dark the sky is there, and what hides the horizon."""

from __future__ import annotations

import re
from dataclasses import dataclass

from fourlight.errors import InputError
from fourlight.sky.skyline import Skyline

__all__ = ["DARK_SKY_MAG", "EXTINCTIONS_MAG", "EXTINCTION_MAG", "UNNAMED", "Site", "site_from_text"]

DARK_SKY_MAG = 21.0
"""V mag per square arcsecond of a moonless sky in the zenith where nobody states it: open country, far from towns."""
EXTINCTION_MAG = 0.2
"""Per air mass in V where nobody states it; 0.12 on high mountains, 0.3 in haze."""
EXTINCTIONS_MAG = (0.05, 1.0)
"""Least and most that counts as such: air that takes nothing would scatter no moonlight either."""
UNNAMED = "the site"
"""Name of a site of which only the place is given."""
HEIGHTS_M = (-450.0, 6000.0)

_NUMBER = r"[+-]?\d+(?:\.\d*)?"
_WRITTEN = (
    "write latitude north and longitude east in degrees, such as 31.5,-38 or 31.5N,38W, and the height in m"
)


@dataclass(frozen=True, slots=True)
class Site:
    """A place on the ground."""

    name: str
    latitude_deg: float
    """North."""
    longitude_deg: float
    """East, -180 to 180."""
    height_m: float = 0.0
    sky_mag: float = DARK_SKY_MAG
    """V mag per square arcsecond in the zenith, without the Moon."""
    skyline: Skyline | None = None
    extinction_mag: float = EXTINCTION_MAG
    assumed: tuple[str, ...] = ()
    """What nobody stated of it."""
    zone_h: float = 0.0
    """Hours of its clock from UTC: they tell on which side of the date line its days are counted."""

    @property
    def day_deg(self) -> float:
        """Longitude by which its days are counted: beyond 180 degrees where its clock is that of the other side.

        >>> Site("x", -20.0, -176.0).day_deg, Site("x", -20.0, -176.0, zone_h=13.0).day_deg
        (-176.0, 184.0)
        """
        return self.longitude_deg + 360.0 * round((15.0 * self.zone_h - self.longitude_deg) / 360.0)

    @property
    def called(self) -> str:
        """What it is called in a message."""
        return self.name if self.name == UNNAMED else f"site {self.name}"

    def __post_init__(self) -> None:
        north, east = self.latitude_deg, self.longitude_deg
        if abs(north) > 90 and abs(east) <= 90:
            raise InputError(
                f"{self.called}: latitude {north:g} is outside -90 to 90 and longitude {east:g} would fit: they "
                f"seem to be swapped; {_WRITTEN}"
            )
        if abs(north) > 90 or not -180 <= east <= 360:
            raise InputError(
                f"{self.called}: latitude {north:g} and longitude {east:g}; needed are -90 to 90 and -180 to 360"
            )
        if not HEIGHTS_M[0] <= self.height_m <= HEIGHTS_M[1]:
            raise InputError(
                f"{self.called}: height {self.height_m:g} m; needed are metres above the sea, -450 to 6000"
            )
        if not 15 <= self.sky_mag <= 22.5:
            raise InputError(
                f"{self.called}: sky of {self.sky_mag:g} mag per square arcsec; needed are 15 (middle of a city) to "
                "22.5 (darker than any place), in V"
            )
        least, most = EXTINCTIONS_MAG
        if not least <= self.extinction_mag <= most:
            raise InputError(
                f"{self.called}: extinction of {self.extinction_mag:g} mag per air mass; needed are {least:g} to "
                f"{most:g}"
            )
        object.__setattr__(self, "longitude_deg", (east + 180.0) % 360.0 - 180.0)


def site_from_text(text: str) -> tuple[float, float, float] | None:
    """Latitude, longitude and height as they are written on a command line; None where the text is a name.

    Letters N, S, E and W may stand behind the numbers and then say which is which.

    Raises
    ------
    InputError
        It looks like a place and is none, or a letter contradicts the order.

    Examples
    --------
    >>> site_from_text("31.5,-38,2100"), site_from_text("38W,31.5N"), site_from_text("ledge")
    ((31.5, -38.0, 2100.0), (31.5, -38.0, 0.0), None)
    """
    if "," not in text and ";" not in text:
        return None
    parts = [part.strip() for part in text.replace(";", ",").split(",")]
    read = [re.fullmatch(rf"({_NUMBER})\s*°?\s*([NSEWnsew]?)", part) for part in parts[:2]]
    high = re.fullmatch(rf"({_NUMBER})\s*m?", parts[2]) if len(parts) == 3 else None
    first, second = (*read, None)[:2]
    if first is None or second is None or len(parts) > 3 or (len(parts) == 3 and high is None):
        raise InputError(f"--site {text}: no place; {_WRITTEN}")
    height = float(high[1]) if high else 0.0
    letters = (first[2].upper(), second[2].upper())
    values = [float(one[1]) * (-1 if letter and letter in "SW" else 1)
              for one, letter in zip((first, second), letters, strict=True)]  # fmt: skip
    kinds = ["lat" if letter in "NS" else "lon" for letter in letters if letter]
    signed = any(letter and one[1][0] in "+-" for one, letter in zip((first, second), letters, strict=True))
    if len(set(kinds)) < len(kinds) or signed:
        raise InputError(f"--site {text}: sign and letters say two things, or the same twice; {_WRITTEN}")
    if (letters[0] and letters[0] in "EW") or (letters[1] and letters[1] in "NS"):
        values.reverse()
    return values[0], values[1], height
