"""Where a frame points and where it was taken, from FITS cards."""

from __future__ import annotations

import re

from fourlight.io.cards import Card, Cards
from fourlight.io.header_values import angle

__all__ = ["position", "site"]

TARGETS = (
    ("RA", "DEC"),
    ("OBJCTRA", "OBJCTDEC"),
    ("RA_OBJ", "DEC_OBJ"),
    ("RA_TARG", "DEC_TARG"),
    ("OBJRA", "OBJDEC"),
    ("TELRA", "TELDEC"),
    ("RA-MNT", "DEC-MNT"),
    ("RA-OBS", "DEC-OBS"),
)
LATITUDES = ("OBSGEO-B", "SITELAT", "LAT-OBS", "OBSLAT", "LATITUDE", "GEOLAT", "SITE-LAT", "LAT_OBS")
LONGITUDES = ("OBSGEO-L", "SITELONG", "LONG-OBS", "OBSLONG", "LONGITUD", "GEOLON", "SITE-LON", "LONG_OBS")


def position(cards: Cards) -> dict[str, float | None]:
    """``ra_deg`` and ``dec_deg`` of the target; a coordinate solution (CTYPE RA---) before the mount's word.

    Sexagesimal right ascensions are hours and decimal ones degrees, unless value or comment say otherwise.
    """
    solved = cards.get("CTYPE1", Card(None, ""))
    pairs = [("CRVAL1", "CRVAL2")] if str(solved.value).startswith("RA-") else []
    for ra_name, dec_name in (*pairs, *TARGETS):
        if ra_name not in cards or dec_name not in cards:
            continue
        ra, dec = angle(cards[ra_name]), angle(cards[dec_name])
        if ra is None or dec is None or abs(dec[0]) > 90:
            continue
        degrees = bool(re.search(r"\bdeg|\bd\b|°", ra[2]))
        hours = bool(re.search(r"\bhours?\b|\bhrs?\b|\bh\b", ra[2])) or (ra[1] and not degrees)
        value = ra[0] * 15 if hours else ra[0]
        if 0 <= value <= 360:
            return {"ra_deg": value % 360, "dec_deg": dec[0]}
    return {"ra_deg": None, "dec_deg": None}


def site(cards: Cards) -> dict[str, float | None]:
    """``latitude_deg`` and ``longitude_deg`` of the observer, east positive.

    OBSGEO-B and OBSGEO-L are in the FITS Standard (4.0 section 8.4.1), the others common practice; some
    comments count longitude westward. Zero and zero together is a form left empty.
    """
    lat = next((found[0] for name in LATITUDES if name in cards and (found := angle(cards[name]))), None)
    lon = next(
        (east for name in LONGITUDES if name in cards and (east := _east(cards[name])) is not None), None
    )
    if (lat == 0 and lon == 0) or (lat is not None and abs(lat) > 90):
        return {"latitude_deg": None, "longitude_deg": None}
    return {"latitude_deg": lat, "longitude_deg": lon}


def _east(card: Card) -> float | None:
    """Longitude in [-180, 180), east positive."""
    found = angle(card)
    if found is None or abs(found[0]) > 360:
        return None
    west = re.search(r"\bwest(ward)? (is )?(positive|\+)|positive west|\+ ?west", found[2])
    return ((-found[0] if west else found[0]) + 180) % 360 - 180
