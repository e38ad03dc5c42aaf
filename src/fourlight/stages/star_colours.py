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

ODD = (
    "its red stars are blue in the other lights and its blue ones red: it was turned or cropped by other software, or "
    "its header names the wrong pattern; use the file that the camera wrote"
)
ONE_OF_TWO = (
    "its red stars are blue in the other light and its blue ones red: one of the two was turned or cropped by other "
    "software, or its header names the wrong pattern, and nothing tells which; use the files that the camera wrote"
)
HALF = (
    "red stars are blue in half of the lights, the reference among them, and blue ones red: one half was turned or "
    "cropped by other software, or its headers name the wrong pattern, and nothing tells which; use the files that the "
    "camera wrote"
)
"""Reasons for setting lights aside."""


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

    Where that would be most of all, it is the reference that is set aside, alone: another one is needed. Where it is
    half of all, nothing tells which half is wrong; that of the reference is kept.
    """
    turned = [frame for frame in frames if frame.exchanged]
    alike = 1 + sum(frame.measured is not reference and not frame.exchanged for frame in frames)
    if len(turned) > alike:
        return [], [_aside(reference, ODD)]
    reason = ODD if len(turned) < alike else ONE_OF_TWO if alike == 1 else HALF
    return [f for f in frames if not f.exchanged], [_aside(f.measured, reason) for f in turned]


def _aside(frame: MeasuredFrame, reason: str) -> SetAside:
    return SetAside(frame.raw.path, "register", reason)
