"""Linearity of a camera: levels over the exposure, of the part of the frame that shows most of the range unfilled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.linearity import FEWEST, Linearity, linearity, within
from fourlight.stages.camera_frames import Pair
from fourlight.stages.camera_pairs import Points
from fourlight.stages.camera_transfer import FULL_SHARE, PlaceTransfer

__all__ = ["Lines", "linearities"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

WIDE = 0.95
"""Part of the widest range of levels that the regions which are taken must show: a little less of it for more of the
frame."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Levels over the exposure of one place."""

    name: str
    exposure_s: FloatArray
    level: FloatArray
    """ADU above no light, mean of the regions that count."""
    error: FloatArray
    """Relative standard error of each level: scatter of its flats."""
    line: Linearity


def linearities(
    groups: Sequence[Sequence[Pair]], points: Points, found: Sequence[PlaceTransfer], names: Sequence[str]
) -> tuple[list[Lines], str]:
    """Linearity of every place; and what is missing for it, empty where nothing is.

    Levels of one filter are compared: of the filter with most exposures. Where the light is uneven, bright regions fill
    while the mean of the frame is far from full: each region is judged by itself, and those are taken that have the
    same exposures within the range.
    """
    filters: dict[str, list[int]] = {}
    for number, group in enumerate(groups):
        first = group[0][0]
        if first.exposure_s:
            filters.setdefault(first.filter_name or "", []).append(number)
    if not filters:
        return [], "exposures of the flats in their headers, and at least 5 of a steady lamp"
    chosen = max(filters.values(), key=len)
    exposure = np.array([float(groups[n][0][0].exposure_s or 0.0) for n in chosen])
    lines = [_line(part, list(names).index(part.name), points, chosen, exposure) for part in found]
    told = [line for line in lines if line is not None]
    if told:
        return told, ""
    return [], (
        f"at least {FEWEST} exposures of a steady lamp with levels from 5 to 95 % of saturation "
        f"(found: {len(chosen)} exposure{'s' * (len(chosen) != 1)})"
    )


def _line(
    part: PlaceTransfer, place: int, points: Points, chosen: Sequence[int], exposure: FloatArray
) -> Lines | None:
    """Levels of one place over the exposure, None where too few are within the range."""
    by_pair = [points.level[points.group == n, place] for n in chosen]
    level = np.array(
        [values.mean(axis=0) for values in by_pair]
    )  # NaN, which is not inside, of what is not known
    filled = np.array([points.full[points.group == n, place].max(axis=0) for n in chosen]) > FULL_SHARE
    inside = within(level, part.saturation.level) & ~filled
    taken = _regions(level, inside)
    if not taken.any():
        return None
    shared = np.asarray(inside[:, taken].all(axis=1))
    means = [_known_mean(values[:, taken]) for values in by_pair]
    mean = np.array([values.mean() for values in means])
    line = linearity(exposure, mean, part.saturation.level, shared)
    if line is None:
        return None
    return Lines(part.name, exposure, mean, np.array([_relative(values) for values in means]), line)


def _known_mean(values: FloatArray) -> FloatArray:
    """(p,) mean over the regions of (p, r) that are known; NaN where none is."""
    known = np.isfinite(values)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(known, values, 0.0).sum(axis=1) / known.sum(axis=1))


def _regions(level: FloatArray, inside: BoolArray) -> BoolArray:
    """(r,) regions that share exposures within the range: of ranges that are nearly the widest, with most regions.

    Parameters
    ----------
    level : (n, r) float64
        Of each exposure and region.
    inside : (n, r) bool
        Levels within the range.
    """
    sets = np.unique(inside, axis=1).T  # (s, n) exposures that some region has within the range
    sets = sets[sets.sum(axis=1) >= FEWEST]
    if not len(sets):
        return np.zeros(level.shape[1], dtype=np.bool_)
    holds = np.array([inside[one].all(axis=0) for one in sets])
    widths = np.array(
        [np.ptp(level[one][:, those], axis=0).mean() for one, those in zip(sets, holds, strict=True)]
    )
    number = np.where(widths >= WIDE * widths.max(), holds.sum(axis=1), 0)
    return np.asarray(holds[int(number.argmax())])


def _relative(values: FloatArray) -> float:
    """Relative standard error of the mean of levels of pairs; 0 where there is but one."""
    if len(values) < 2:
        return 0.0
    return float(values.std(ddof=1) / np.sqrt(len(values)) / values.mean())
