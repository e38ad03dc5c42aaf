"""What a transfer that was cut leaves of a frame: rows of one value, masked where enough is left of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from fourlight.core.blank import constant_rows, filled_ends, filled_parts, runs
from fourlight.errors import FrameError
from fourlight.frames import RawFrame, Role
from fourlight.io.pixels import PixelSource
from fourlight.stages.banding import bands

__all__ = ["rows_in_words", "with_blank_rows"]

Float32Array = npt.NDArray[np.float32]
Run = tuple[int, int, float]

STEP = 8
"""Rows from one that is looked at to the next; shorter blocks are few samples, which integration rejects."""
MOST_OF_LIGHT = 0.5
"""Share of blank rows, or of undefined samples, from which a light is not used: too little is left to place and weigh
it by."""
MOST = 0.05
"""The same for all other frames, of which there are plenty; rows that a sensor never fills are fewer."""
MOST_IN_PARTS = 0.05
"""Share of samples in blocks of one value that are no whole rows, from which a frame is not used."""
TOLD = 0.001
"""Share of undefined samples that is told; single defective samples are fewer (taste, no source)."""
NEAR = 2
"""The row beside a block that is compared with it; the adjacent one may be filled in part."""
PILE = 0.5
BRIGHT = 0.8
"""Rows of full samples lie beside rows as bright as this."""


def with_blank_rows(frame: RawFrame, source: PixelSource) -> RawFrame:
    """The frame with the rows noted that hold one value only, so that its samples there count as undefined.

    Samples that are undefined (NaN) in the file are told of where they are many; of too many the frame is not used.

    A block of rows is blank where its value is not that of most samples beside it: full samples, and those of
    a sensor that reads nothing as a flat zero, pass into others gradually.

    Parameters
    ----------
    frame : RawFrame
        Of any role; its ``blank_rows`` are not looked at.
    source : PixelSource
        All of its samples.

    Raises
    ------
    FrameError
        Too much of it is blank, or undefined: more than half of a light, more than a twentieth of other frames.
    """
    ny, _ = source.shape
    rows = source.read(0, ny, 0, frame.nx, STEP)
    frame = _with_undefined(frame, float(np.mean(np.isnan(rows))))
    values = constant_rows(rows)
    common = np.isnan(values)
    share, value = filled_parts(rows if common.all() else rows[common]) if common.any() else (0.0, 0.0)
    if share > MOST_IN_PARTS:
        raise FrameError(
            str(frame.path),
            f"{100 * share:.0f} % of its samples lie in blocks that hold one value only ({value:g}): parts of the"
            " picture are missing; copy it again from the camera",
        )
    if common.all() and np.isnan(constant_rows(source.read(ny - 1, ny, 0, frame.nx))):
        return frame
    highest = float(np.fmax.reduce(rows, axis=None))
    found = [_widened(run, source) for run in _blocks(source) if _stands_apart(run, source, highest)]
    if not found:
        return frame
    blank = _joined(found)
    share = sum(y1 - y0 for y0, y1 in blank) / ny
    said = f"{rows_in_words(blank)} of {ny} hold one value only ({found[-1][2]:g})"
    if share == 1:
        raise FrameError(
            str(frame.path),
            f"every sample of it is {found[-1][2]:g}: overexposed, clipped or never filled; leave it out",
        )
    if share > _most(frame):
        raise FrameError(
            str(frame.path),
            f"{said}, {100 * share:.0f} % of it: the transfer was cut; copy it again from the camera",
        )
    note = f"{said}, as where a transfer was cut; they are left out, the other rows count"
    return replace(frame, blank_rows=blank, problems=(*frame.problems, note))


def _most(frame: RawFrame) -> float:
    """Share of a frame that may be missing."""
    return MOST_OF_LIGHT if frame.role is Role.LIGHT else MOST


def _with_undefined(frame: RawFrame, share: float) -> RawFrame:
    """The frame with a note on undefined samples, if they are so large a share of it that their loss matters."""
    if share < TOLD:
        return frame
    said = f"about {100 * share:.{0 if share >= 0.1 else 1}f} % of its samples are undefined (NaN)"
    if share > _most(frame):
        raise FrameError(
            str(frame.path), f"{said}: too little is left of it; replace it by the file as it was taken"
        )
    note = f"{said}; they are left out, the others count"
    return replace(frame, problems=(*frame.problems, note))


def rows_in_words(blank: Iterable[tuple[int, int]]) -> str:
    """Rows by number.

    >>> rows_in_words([(0, 4), (512, 1024), (1030, 1031)]), rows_in_words([(9, 10)])
    ('rows 0-3, 512-1023, 1030', 'row 9')
    """
    blank = list(blank)
    one = len(blank) == 1 and blank[0][1] == blank[0][0] + 1
    return ("row " if one else "rows ") + ", ".join(
        f"{y0}-{y1 - 1}" if y1 > y0 + 1 else f"{y0}" for y0, y1 in blank
    )


def _blocks(source: PixelSource) -> list[Run]:
    """Runs of rows of one value, all rows looked at."""
    ny, nx = source.shape
    parts = [constant_rows(source.read(y0, y1, 0, nx)) for y0, y1 in bands(ny, nx, 4)]
    return runs(np.concatenate(parts))


def _stands_apart(run: Run, source: PixelSource, highest: float) -> bool:
    """Whether a block differs from what lies just beside it: no pile of its value there, nor nearly full samples."""
    y0, y1, value = run
    ny, nx = source.shape
    for y in (y0 - NEAR, y1 + NEAR - 1):
        if 0 <= y < ny:
            beside = source.read(y, y + 1, 0, nx)
            if np.mean(beside == value) > PILE:
                return False
            if value >= highest and np.nanmedian(np.append(beside, value)) > BRIGHT * value:
                return False
    return True


def _widened(run: Run, source: PixelSource) -> Run:
    """A block with the adjacent rows that are filled in part."""
    y0, y1, value = run
    ny, nx = source.shape
    above = y0 > 0 and filled_ends(source.read(y0 - 1, y0, 0, nx)[0], value)
    below = y1 < ny and filled_ends(source.read(y1, y1 + 1, 0, nx)[0], value)
    return y0 - above, y1 + below, value


def _joined(found: list[Run]) -> tuple[tuple[int, int], ...]:
    """Blocks that touch as one."""
    out: list[tuple[int, int]] = []
    for y0, y1, _ in sorted(found):
        if out and y0 <= out[-1][1]:
            out[-1] = (out[-1][0], max(y1, out[-1][1]))
        else:
            out.append((y0, y1))
    return tuple(out)
