"""The light of a stack's brighter stars as their profile has it, without noise."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import numpy as np
import numpy.typing as npt

from fourlight.core.fieldprofile import FieldProfile
from fourlight.core.fullcores import full_spots
from fourlight.engine import in_order
from fourlight.stages.canvas import Canvas, bands
from fourlight.stages.coverage import CHANNELS
from fourlight.stages.star_channel import StarChannel
from fourlight.stages.star_search import apart_from, points

__all__ = ["star_light"]

Float32 = npt.NDArray[np.float32]
Planes = Mapping[str, Float32]

BRIGHT = 10.0
"""Light of a star over what else is as fine, see `points`: each half alone shows such a star beyond doubt."""
SEARCHES, ROUNDS = 2, 2
"""Times that stars are searched for, and that all are fitted each time."""
NEW = 0.6
"""Distance over the width of stars from a star at which another point may be one."""


def star_light(
    planes: Planes, variances: Planes, profiles: Mapping[str, FieldProfile], full: float, canvas: Canvas
) -> dict[str, Float32]:
    """Light of the stars that stand out and are not full, each channel (ny, nx) float32, finite, nothing beside them.

    A knot or the core of a galaxy may be among them: it is drawn as far as the profile fits it.

    Parameters
    ----------
    planes, variances : mapping of R, G, B to (ny, nx) float32
        NaN where nothing covers.
    profiles : mapping of R, G, B to FieldProfile
    full : float
        Level from which pixels may be full.
    canvas : Canvas
    """
    hot = full_spots([planes[c] for c in CHANNELS], full)
    work = [StarChannel(planes[c], variances[c], profiles[c], hot, canvas, full_too=False) for c in CHANNELS]
    width, found = profiles["G"].fwhm_px(), np.zeros((0, 3))
    for _ in range(SEARCHES):
        left = {c: channel.left for c, channel in zip(CHANNELS, work, strict=True)}
        more = points(left, variances, width, canvas)
        more = more[more[:, 2] > BRIGHT]
        more = more[~hot[tuple(np.rint(more[:, k]).astype(int) for k in (1, 0))]]
        found = np.concatenate([found, apart_from(found, more, NEW * width)])
        list(
            in_order(partial(StarChannel.fit, found=found, rounds=ROUNDS, judged=False), work, canvas.threads)
        )
    for channel in work:
        for rows in bands(hot.shape):
            np.subtract(channel.plane[rows], channel.left[rows], out=channel.left[rows])
            np.nan_to_num(channel.left[rows], copy=False, nan=0.0)
    return {c: channel.left for c, channel in zip(CHANNELS, work, strict=True)}
