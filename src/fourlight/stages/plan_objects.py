"""Objects that suit a field and a night, where nobody names a target."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fourlight.errors import InputError
from fourlight.sky.objects import SkyObject, objects_of_size
from fourlight.stages.plan_night import Night
from fourlight.stages.plan_sight import least_altitudes

__all__ = ["GLOWING", "Suited", "suited_objects"]

GLOWING = ("emission nebula", "cluster with nebula", "planetary nebula", "supernova remnant", "nebula")
"""Kinds that shine in lines, beginnings of words."""
SMALLEST, LARGEST = 0.15, 1.1
"""Longest axis of a suitable object over the short side of the field."""
LEAST_H = 1.0
STEP = 10
"""Minutes between moments that are looked at."""


@dataclass(frozen=True, slots=True)
class Suited:
    """An object that fits."""

    each: SkyObject
    share: float
    """Longest axis over the short side of the field."""
    hours: float
    """Dark, high enough and not behind the skyline."""
    highest_deg: float
    best_s: float
    """When it stands highest within them."""
    moon_apart_deg: float
    """At that moment."""


def suited_objects(night: Night, short_side_deg: float, *, lines_only: bool, most: int = 20) -> list[Suited]:
    """Objects between 0.15 and 1.1 of the short side of a field, up for an hour or more.

    Those with a Messier number or a name come first, and of each the most prominent: of the others many are faint.

    Parameters
    ----------
    night : Night
    short_side_deg : float
        Of the field.
    lines_only : bool
        Those that shine in emission lines.
    most : int

    Raises
    ------
    InputError
        There is none.
    """
    side = 60 * short_side_deg
    known = [
        each
        for each in objects_of_size(SMALLEST * side, LARGEST * side)
        if not lines_only or each.kind.startswith(GLOWING)
    ]
    known.sort(key=lambda each: not (each.name.startswith("M ") or each.also))
    if not known:
        raise InputError(
            f"no object of the list is {SMALLEST * side:.1f} to {LARGEST * side:.0f} arcmin long, as the field asks "
            "for; name a target with --target"
        )
    when, dark = night.moments_s[::STEP], night.dark_now[::STEP]
    altitude, azimuth = night.heavens.fixed_many([e.ra_deg for e in known], [e.dec_deg for e in known], when)
    usable = dark & (altitude >= least_altitudes(night, azimuth))
    found = []
    for k in np.flatnonzero(usable.sum(axis=1) * STEP >= 60 * LEAST_H)[:most]:
        top = int(np.argmax(np.where(usable[k], altitude[k], -90.0)))
        one = night.heavens.fixed(known[k].ra_deg, known[k].dec_deg, when[top : top + 1])
        apart = float(one.apart_deg(night.heavens.moon(when[top : top + 1]))[0])
        longest = known[k].longest_arcmin or 0.0
        found.append(Suited(known[k], longest / side, float(usable[k].sum()) * STEP / 60, float(altitude[k, top]),
                            float(when[top]), apart))  # fmt: skip
    return found
