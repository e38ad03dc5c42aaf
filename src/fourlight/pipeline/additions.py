"""Lights that are added to kept sums: which rows of the frame table are new, and whether the others still hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core import bends
from fourlight.frames import MeasuredFrame, RawFrame
from fourlight.pipeline.kept import Kept
from fourlight.stages.geometry import ROWS, FrameTable
from fourlight.stages.way import Way

__all__ = ["Addition", "added_to", "known_sky", "way_on", "why_not"]

Float64 = npt.NDArray[np.float64]

MOST_LIGHT = 0.003
"""Change of the light of an earlier frame, over it, that is let pass: the error of its measurement."""
MOST_PLACE_PX = 0.02
"""Change of the place of an earlier frame that is let pass."""


def known_sky(kept: Kept | None, raw: Sequence[RawFrame], reference: MeasuredFrame) -> dict[int, Float64]:
    """Sky differences of the frames in kept sums, by their rows: those that were taken off then.

    Empty where they were differences from another reference.
    """
    if kept is None or kept.reference != reference.raw.path:
        return {}
    found = dict(zip(kept.lights, kept.table.sky, strict=True))
    return {row: found[frame.path] for row, frame in enumerate(raw) if frame.path in found}


@dataclass(frozen=True, slots=True)
class Addition:
    """Frames that come on top of kept sums."""

    table: FrameTable
    """Of all frames; the rows of earlier ones are those they were summed with."""
    new: list[int]
    """Rows of the frames that are added."""
    kept: Kept


def added_to(kept: Kept, table: FrameTable, raw: Sequence[RawFrame]) -> Addition | str:
    """The frames that are new, and the table in which earlier ones stand as they were summed; or why that is not so.

    Parameters
    ----------
    kept : Kept
    table : FrameTable
        Of all frames, made anew.
    raw : sequence of RawFrame
        The frame of each row.
    """
    place = {frame.path: row for row, frame in enumerate(raw)}
    gone = [path.name for path in kept.lights if path not in place]
    if gone:
        return f"{gone[0]} is in the sums that were kept, and is set aside now"
    if table.shape != kept.table.shape:
        return "the stack has another size"
    rows = [place[path] for path in kept.lights]
    moved = _moved(kept.table, table.rows(rows))
    if moved:
        return moved
    parts = {name: getattr(table, name).copy() for name in ROWS}
    for name, part in parts.items():
        part[rows] = getattr(kept.table, name)
    new = [row for row in range(len(raw)) if row not in set(rows)]
    # merit is that over the sharpest frame, which is another one now where a new one is sharper
    for name in ("merit", "weight"):
        parts[name][new] *= np.median(kept.table.merit / table.merit[rows], axis=0)
    # halves take turns on, as if the lights had been there from the start
    begun = int(np.bincount(kept.table.half, minlength=2).argmin())
    parts["half"][new] = (begun + np.arange(len(new))) % 2
    return Addition(replace(table, **parts, level=kept.table.level, stars=kept.table.stars), new, kept)


def _moved(before: FrameTable, now: FrameTable) -> str:
    """Why the rows of earlier frames do not hold any more; empty where they do."""
    if np.abs(now.scale / before.scale - 1).max() > MOST_LIGHT:
        return "with the new lights, the light of the earlier ones is measured otherwise"
    if _place_px(before, now) > MOST_PLACE_PX:
        return "with the new lights, the earlier ones are placed otherwise"
    return ""


def _place_px(before: FrameTable, now: FrameTable) -> float:
    """Largest distance of two maps at corners and middle of the frames, pixels of the stack."""
    most = 0.0
    for one, other, (ny, nx) in zip(before.bend, now.bend, before.size, strict=True):
        y, x = np.array([0, 0, ny - 1, ny - 1, ny / 2]), np.array([0, nx - 1, 0, nx - 1, nx / 2])
        for plane in other - one:
            most = max(most, float(np.abs(bends.apply(plane, x, y)).max()))
    return most


def way_on(kept: Kept, way: Way) -> Way:
    """The way that all frames together ask for, with drops of the size, or cells as fine, as kept sums have them."""
    fine = kept.way.fineness(kept.table) if way.method == "least-squares" else 0
    return replace(way, pixfrac=kept.way.pixfrac, pixfrac_reason=kept.way.pixfrac_reason, fine=fine)


def why_not(kept: Kept, way: Way, table: FrameTable) -> str:
    """Why frames cannot be added the way in which the sums were made; empty where they can."""
    if way.method != kept.way.method:
        return f"with so many lights the stack is made by {way.words}"
    if way.method == "drizzle" and way.pixfrac < kept.way.pixfrac and kept.way.pixfrac > 1:
        return f"with so many lights the stack is made by {way.words}, which blur less"
    if way.method == "least-squares" and way.fineness(table) > kept.way.fineness(kept.table):
        return "the new lights are sharper, and need finer sums"
    return ""
