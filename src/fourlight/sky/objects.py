"""Nebulae, clusters and galaxies that have a catalogue number: where they are, how large, how they are called.

The list is the database of the pyongc package (OpenNGC, CC BY-SA 4.0), which is installed beside this program.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.tangent import from_gnomonic
from fourlight.errors import InputError
from fourlight.sky.catalogue import directions
from fourlight.sky.common_names import common_names, named, plain

__all__ = ["SkyObject", "object_named", "objects_near", "objects_of_size", "outline", "prominence"]

Float64 = npt.NDArray[np.float64]

NO_OBJECTS = ("Duplicated record", "Nonexistent object", "Star", "Double star", "Nova star")
"""Kinds of entries that are stars or nothing."""
PART = " NED"
"""In the names of parts of an object that is listed as a whole too."""
KINDS = {
    "HII Ionized region": "emission nebula", "Association of stars": "star association",
    "Star cluster + Nebula": "cluster with nebula", "Object of other/unknown type": "object",
}  # fmt: skip
"""Kinds for which the list has other words than those of the trade."""
LEAST_LETTERS = 5
"""Of the beginning of a name that stands for the whole."""
NEAREST = 3
"""Names that are told where there is none of the name asked for."""
LARGEST = {"M": 110, "NGC": 7840, "IC": 5386}
"""Highest number of each catalogue."""
UNIT_MAG = 12.0
"""Magnitude that an object of one square arcminute without a magnitude counts as; surfaces are alike, sizes are not."""


@dataclass(frozen=True, slots=True)
class SkyObject:
    """An object of the list."""

    name: str
    """Its number, such as ``M 42`` or ``NGC 1977``."""
    also: str | None
    """What it is called commonly."""
    kind: str
    ra_deg: float
    """J2000."""
    dec_deg: float
    longest_arcmin: float | None
    shortest_arcmin: float | None
    angle_deg: float
    """Of its longest axis from north towards east; 0 where unknown."""
    magnitude: float | None
    """V, else B."""


def objects_near(ra_deg: float, dec_deg: float, radius_deg: float) -> list[SkyObject]:
    """Objects whose middle is within an angle of a place, the most prominent first.

    Parameters
    ----------
    ra_deg, dec_deg : float
        The place, J2000.
    radius_deg : float
        Up to 90.

    Examples
    --------
    >>> [(found.name, found.also, found.kind) for found in objects_near(10.7, 41.3, 0.2)]
    [('M 31', 'Andromeda Galaxy', 'galaxy')]
    """
    from pyongc import ongc

    low, high = max(dec_deg - radius_deg, -90.0), min(dec_deg + radius_deg, 90.0)
    entries = [
        entry
        for first, last in _spans(ra_deg, dec_deg, radius_deg)
        for entry in ongc.listObjects(minra=first, maxra=last, mindec=low - 1e-6, maxdec=high + 1e-6)
        if entry.type not in NO_OBJECTS and PART not in entry.name
    ]
    found = [_read(entry) for entry in entries]
    here, least = directions(ra_deg, dec_deg), np.cos(np.radians(radius_deg))
    near = {each.name: each for each in found if directions(each.ra_deg, each.dec_deg) @ here >= least}
    return sorted(near.values(), key=lambda each: (prominence(each), each.name))


def prominence(each: SkyObject) -> float:
    """How much an object stands out, as a magnitude: what is brighter, or larger, has a smaller one."""
    longest = each.longest_arcmin or 0.1
    by_size = UNIT_MAG - 2.5 * float(np.log10(longest * (each.shortest_arcmin or longest)))
    return by_size if each.magnitude is None else min(each.magnitude, by_size)


def outline(each: SkyObject, points: int = 73) -> tuple[Float64, Float64]:
    """Right ascensions and declinations along the ellipse of an object's size; its middle where no size is known."""
    along = np.linspace(0.0, 2 * np.pi, points)
    a = (each.longest_arcmin or 0.0) / 120
    b = (each.shortest_arcmin or each.longest_arcmin or 0.0) / 120
    turn = np.radians(each.angle_deg)
    north, east = a * np.cos(along), b * np.sin(along)
    xi = north * np.sin(turn) + east * np.cos(turn)
    eta = north * np.cos(turn) - east * np.sin(turn)
    return from_gnomonic(xi, eta, each.ra_deg, each.dec_deg)


def objects_of_size(least_arcmin: float, most_arcmin: float) -> list[SkyObject]:
    """Objects of all the sky whose longest axis has a size, the most prominent first.

    >>> [found.name for found in objects_of_size(90.0, 200.0)][0]
    'M 45'
    """
    from pyongc import ongc

    found = {
        each.name: each
        for entry in ongc.listObjects(minsize=least_arcmin)
        if entry.type not in NO_OBJECTS and PART not in entry.name and entry.rad_coords is not None
        for each in [_read(entry)]
        if each.longest_arcmin is not None and each.longest_arcmin <= most_arcmin
    }
    return sorted(found.values(), key=lambda each: (prominence(each), each.name))


def object_named(text: str) -> SkyObject:
    """The object of a number or a common name, however it is spelled.

    Raises
    ------
    InputError
        There is none; the nearest names are told.

    Examples
    --------
    >>> object_named("ngc224").name, object_named("cave nebula").name
    ('M 31', 'C 9')
    """
    from pyongc import ongc

    spelled = " ".join(text.split())
    entry = ongc.get(spelled) if spelled else None
    called = named()
    entry = entry or called.get(plain(text)) or _begun(text, called)
    if entry is not None and entry.rad_coords is not None:
        return _read(entry)
    names = {name for one in called.values() for name in common_names(one)}
    near = difflib.get_close_matches(text, [*sorted(names), *_numbers_like(text)], n=6, cutoff=0.55)
    there = [name for name in near if name in names or ongc.get(name) is not None][:NEAREST]
    also = (
        f"nearest {'is' if len(there) == 1 else 'are'} {', '.join(there)}"
        if there
        else "known are Messier, NGC and IC numbers and common names"
    )
    raise InputError(
        f"target {text!r}: no such object; {also}; or give right ascension and declination, such as 287.4,18.2"
    )


def _begun(text: str, called: Mapping[str, Any]) -> Any | None:
    """The entry of the only object whose common name begins with these words."""
    begins = plain(text)
    entries = {one.name: one for name, one in called.items() if name.startswith(begins)}
    return next(iter(entries.values())) if len(begins) >= LEAST_LETTERS and len(entries) == 1 else None


def _numbers_like(text: str) -> list[str]:
    """All numbers of the catalogue that a text seems to mean."""
    begins = re.match(r"\s*(m|messier|ngc|ic)\s*\d", text.lower())
    name = {"m": "M", "messier": "M", "ngc": "NGC", "ic": "IC"}.get(begins[1] if begins else "")
    return [f"{name} {number}" for number in range(1, LARGEST[name] + 1)] if name else []


def _spans(ra_deg: float, dec_deg: float, radius_deg: float) -> list[tuple[float, float]]:
    """Ranges of right ascension that hold a cone: one, two across zero, or all of it around a pole."""
    if abs(dec_deg) + radius_deg >= 90.0:
        return [(-1.0, 361.0)]
    half = float(np.degrees(np.arcsin(np.sin(np.radians(radius_deg)) / np.cos(np.radians(dec_deg))))) + 1e-6
    low, high = ra_deg - half, ra_deg + half
    if low < 0:
        return [(-1.0, high), (low + 360.0, 361.0)]
    return [(low, 361.0), (-1.0, high - 360.0)] if high > 360 else [(low, high)]


def _read(entry: Any) -> SkyObject:
    """An entry of the list; those with coordinates only come here."""
    ra, dec = np.degrees(entry.rad_coords)
    longest, shortest, angle = entry.dimensions
    blue, visual = entry.magnitudes[:2]
    messier, common = entry.identifiers[0], common_names(entry)
    return SkyObject(
        _number(messier or entry.name),
        common[0] if common else None,
        KINDS.get(entry.type, entry.type.lower()),
        float(ra),
        float(dec),
        longest,
        shortest,
        float(angle or 0),
        blue if visual is None else visual,
    )


def _number(name: str) -> str:
    """A number as it is written: letters, a space, no zeros before it.

    >>> _number("NGC0224"), _number("M031"), _number("ESO056-115"), _number("IC0420A")
    ('NGC 224', 'M 31', 'ESO 56-115', 'IC 420A')
    """
    parts = re.fullmatch(r"([A-Za-z]+)0*(\d.*)", name)
    return f"{parts[1]} {parts[2]}" if parts else name
