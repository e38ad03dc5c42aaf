"""The photon transfer curve as few points: regions of like level put together."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.stages.camera_pairs import Dark, Points

__all__ = ["curve_of"]

PER_DECADE = 6
"""Bins of level in a factor of ten, up to a third of the brightest level."""
ABOVE = 15
"""Bins from there on, each this part of the brightest level: the sensor fills within one or two."""


def curve_of(points: Points, dark: Dark, place: int, use: npt.NDArray[np.bool_]) -> list[dict[str, Any]]:
    """Mean level and temporal variance of the regions in every bin of level, those used for the gain apart.

    Parameters
    ----------
    points : Points
    dark : Dark
    place : int
    use : (p, r) bool
        Points that the gain is from.

    Returns
    -------
    list of dict
        ``level`` above no light (ADU), ``variance`` (ADU^2, all of it), ``light`` (that of the light alone), ``error``
        of both, ``samples``, and whether they are ``used``; by level.
    """
    level, light, count = (part[:, place].ravel() for part in (points.level, points.light, points.count))
    rest = np.broadcast_to(dark.variance[place], points.level[:, place].shape).ravel()
    good = np.isfinite(level) & np.isfinite(light) & (count > 1) & (level > 0)
    if not good.any():
        return []
    share = np.where(good, level, 1.0) / level[good].max()
    number = np.where(share > 1 / 3, np.floor(ABOVE * share) + 1000, np.floor(PER_DECADE * np.log10(share)))
    found = []
    for used in (True, False):
        there = good & (use.ravel() == used)
        for bin_number in np.unique(number[there]):
            part = there & (number == bin_number)
            weight = count[part]
            mean = [float(np.average(x[part], weights=weight)) for x in (level, light + rest, light)]
            error = abs(mean[1]) * float((2 / weight.sum()) ** 0.5)
            found.append(
                {"level": mean[0], "variance": mean[1], "light": mean[2], "error": error,
                 "samples": int(weight.sum()), "used": used}
            )  # fmt: skip
    return sorted(found, key=lambda part: part["level"])
