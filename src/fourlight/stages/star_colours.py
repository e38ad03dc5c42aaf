"""Whether a frame has red and blue in each other's place, from the colours of the stars it shares with another.

The pixels of one frame tell where its greens are, but not which of the other two is red.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import PLANES
from fourlight.core.matching import Match
from fourlight.frames import MeasuredFrame, RegisteredFrame, SetAside, StarList

__all__ = ["exchanged", "unlike_most"]

Float64 = npt.NDArray[np.float64]

RED, BLUE = PLANES.index("R"), PLANES.index("B")
CLEAR = 8.0
"""Signal over noise in red and in blue, in both frames, of stars whose colours are compared."""
FEWEST = 10
COLOURFUL = 2.0
"""Scatter of the colours over their errors from which stars can tell; behind a narrow filter they are all alike."""
LESS = 0.5
"""Scatter of the colours against those of the other frame, turned round over straight, below which they are
exchanged: at most 1 / sqrt(1 + 2 COLOURFUL^2) = 0.33 there, and at least 3 where they are not."""
FLOOR = 0.02
"""Relative error of a flux in one plane that no amount of light removes: sharp stars fall between its samples."""


def exchanged(stars: StarList, target: StarList, found: Match) -> bool:
    """Whether the stars of a frame have the colours of the other frame's turned round; False where few are clear.

    Parameters
    ----------
    stars, target : StarList
        Of the frame and of the other one.
    found : Match
        Which are the same.
    """
    ours, our_error = _colours(stars, found.source_index)
    theirs, their_error = _colours(target, found.target_index)
    clear = np.isfinite(ours + theirs)
    if clear.sum() < FEWEST:
        return False
    ours, theirs = ours[clear], theirs[clear]
    noise = float(np.median(np.hypot(our_error, their_error)[clear]))
    if 1.4826 * min(_scatter(ours), _scatter(theirs)) < COLOURFUL * noise:
        return False
    return _scatter(ours + theirs) < LESS * _scatter(ours - theirs)


def _colours(stars: StarList, index: npt.NDArray[np.intp]) -> tuple[Float64, Float64]:
    """Logarithm of red over blue of some stars with its error; NaN where it is not clear."""
    flux, error = stars.flux[index][:, [RED, BLUE]], stars.flux_error[index][:, [RED, BLUE]]
    clear = (flux > CLEAR * error).all(axis=1) & ~stars.saturated[index]
    known = np.where(clear[:, None], flux, np.nan)
    relative = np.hypot(error / known, FLOOR)
    return np.log(known[:, 0] / known[:, 1]), np.hypot(relative[:, 0], relative[:, 1])


def _scatter(values: Float64) -> float:
    return float(np.median(np.abs(values - np.median(values))))


def unlike_most(
    frames: Sequence[RegisteredFrame], reference: MeasuredFrame
) -> tuple[list[RegisteredFrame], list[SetAside]]:
    """Frames without those in which red and blue are in each other's place.

    Where that would be most of the others, it is the reference that is set aside, alone: another one is needed.
    """
    turned = [frame for frame in frames if frame.exchanged]
    others = sum(frame.measured is not reference for frame in frames)
    if 2 * len(turned) > others:
        return [], [_aside(reference)]
    return [frame for frame in frames if not frame.exchanged], [_aside(frame.measured) for frame in turned]


def _aside(frame: MeasuredFrame) -> SetAside:
    reason = (
        "its red stars are blue in the other lights and its blue ones red: it was turned or cropped by other "
        "software, or its header names the wrong pattern; use the file that the camera wrote"
    )
    return SetAside(frame.raw.path, "register", reason)
