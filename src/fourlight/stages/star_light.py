"""The light of a stack's brighter stars as their profile has it, without noise."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import COLOURS
from fourlight.core.fieldprofile import FieldProfile
from fourlight.core.fullcores import full_spots
from fourlight.core.tiles import HALO
from fourlight.engine import in_order
from fourlight.frames import StarList
from fourlight.stages.canvas import Canvas
from fourlight.stages.field_profiles import Profiles
from fourlight.stages.star_channel import StarChannel
from fourlight.stages.star_search import apart_from, points

__all__ = ["BEYOND", "light_of_stars", "star_light", "within"]

Float32 = npt.NDArray[np.float32]
Planes = Mapping[str, Float32]

BEYOND = HALO
"""Pixels beyond each edge to which light of stars is told: as far as the rims of tiles."""
BRIGHT = 7.0
"""Light of a star over what else is as fine, see `points`: five in each half alone."""
SEARCHES, ROUNDS = 2, 2
"""Times that stars are searched for, and that all are fitted each time."""
NEW = 0.6
"""Distance over the width of stars from a star at which another point may be one."""


def light_of_stars(
    planes: Planes,
    variances: Planes,
    stars: StarList,
    full: float | None = None,
    canvas: Canvas | None = None,
    profiles: Profiles | None = None,
) -> dict[str, Float32] | None:
    """`star_light` with the profile that the stars of a list tell; None where too few tell any.

    Parameters
    ----------
    planes, variances : mapping of R, G, B to (ny, nx) float32
        NaN where nothing covers.
    stars : StarList
        On the pixels of the planes.
    full : float or None
        Level of pixels that may hold full samples; None: told from the stars of the list that are full.
    canvas : Canvas, optional
    profiles : Profiles, optional
        Of these planes, where they are known; ``full`` is that of them.
    """
    profiles = profiles or Profiles(planes, variances, stars, full)
    if profiles.stood_in is None:
        return None
    light = star_light(planes, variances, profiles.stood_in, profiles.full, canvas or Canvas())
    for c in COLOURS:
        if c not in light:
            light[c] = np.zeros_like(next(iter(light.values())))
    return light


def star_light(
    planes: Planes, variances: Planes, profiles: Mapping[str, FieldProfile], full: float, canvas: Canvas
) -> dict[str, Float32]:
    """Light of the stars that stand out and are not full, each channel float32, finite, nothing beside them.

    Arrays are larger than the planes by `BEYOND` on each side: of a star that the edge cuts, the light beyond it is
    known as that within. A knot or the core of a galaxy may be among them: it is drawn as far as the profile fits it.

    Parameters
    ----------
    planes, variances : mapping of R, G, B to (ny, nx) float32
        NaN where nothing covers.
    profiles : mapping of R, G, B to FieldProfile
        Of the channels that hold pixels: the others are not looked at.
    full : float
        Level from which pixels may be full.
    canvas : Canvas
    """
    taken = [c for c in COLOURS if c in profiles]
    hot = full_spots([planes[c] for c in taken], full)
    work = [StarChannel(planes[c], variances[c], profiles[c], hot, canvas, full_too=False) for c in taken]
    width, found = profiles["G" if "G" in profiles else taken[0]].fwhm_px(), np.zeros((0, 3))
    for _ in range(SEARCHES):
        left = {c: channel.left for c, channel in zip(taken, work, strict=True)}
        more = points(left, {c: variances[c] for c in taken}, width, canvas)
        more = more[more[:, 2] > BRIGHT]
        more = more[~hot[tuple(np.rint(more[:, k]).astype(int) for k in (1, 0))]]
        found = np.concatenate([found, apart_from(found, more, NEW * width)])
        list(
            in_order(partial(StarChannel.fit, found=found, rounds=ROUNDS, judged=False), work, canvas.threads)
        )
    every = zip(
        taken,
        in_order(partial(StarChannel.drawn, canvas=canvas, beyond=BEYOND), work, canvas.threads),
        strict=True,
    )
    return dict(every)


def within(light: Float32) -> Float32:
    """The part of such an array that lies on the planes."""
    return light[BEYOND:-BEYOND, BEYOND:-BEYOND]
