"""Lights of one camera and size whose mosaic is not that of the others, by their own pixels and headers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fourlight.core.phase import CLEAR_SIGMA, MAIN, Phase, diagonal_of
from fourlight.frames import RawFrame, SetAside

__all__ = ["apart", "green_places"]

NO_MOSAIC = (
    "no mosaic shows in its stars and sky: a monochrome, binned or developed frame among raw colour frames; "
    "leave it out"
)
READ_ALL_THE_SAME = (
    "no mosaic shows in its stars and sky, as in a monochrome or developed frame; it is used because read.mosaic={} is "
    "set, and spoils the colours if it has none"
)
WEAK = 0.1
"""Evidence of one light that counts against the others, over the usual one: below it, clouds and trails may."""


def green_places(diagonal: str) -> str:
    """Places of the greens in the cell, rows first.

    >>> green_places(diagonal_of("RGGB"))
    '[0,1] and [1,0]'
    """
    return "[0,0] and [1,1]" if diagonal == MAIN else "[0,1] and [1,0]"


def apart(
    lights: Sequence[RawFrame], phases: Mapping[Path, Phase], setting: str = "auto"
) -> tuple[list[SetAside], dict[Path, tuple[str, ...]]]:
    """Lights that cannot be read with the mosaic of most of the others, and what was decided on the way.

    The pixels of a light count before its header. Where they cannot tell, its header does; where neither does,
    the light goes with the others.

    Parameters
    ----------
    lights : sequence of RawFrame
        Of one camera and size.
    phases : mapping of Path to Phase
        What the pixels of each of them show (`fourlight.stages.mosaic.evidence`).
    setting : str
        ``read.mosaic`` of the recipe; a pattern there outranks headers and lights without a mosaic.

    Returns
    -------
    list of SetAside
    dict of Path to tuple of str
        What is to be said of lights that are used against their header, or without its word.
    """
    plain, aside = _plain(phases), []
    notes: dict[Path, tuple[str, ...]] = {}
    if setting == "auto":
        aside = [SetAside(path, "select", NO_MOSAIC) for path in plain]
        lights = [frame for frame in lights if frame.path not in plain]
    else:
        notes = {path: (READ_ALL_THE_SAME.format(setting),) for path in plain}
    usual = _usual(lights, phases)
    for frame in lights:
        phase = phases[frame.path]
        reason = _against_pixels(frame, phase, usual)
        if reason is None and setting == "auto" and frame.mosaic != usual.stated:
            if frame.mosaic and not (_header_is_wrong(frame, phase) and phase.diagonal == usual.diagonal):
                reason = (
                    f"mosaic {frame.mosaic} instead of {usual.stated} in its header, and its pixels do not speak "
                    f"against it; run such lights apart, or set read.mosaic={usual.stated} if the header is wrong"
                )
            else:
                notes[frame.path] = (_read_as_others(frame, phase, usual),)
        if reason is not None:
            aside.append(SetAside(frame.path, "select", reason))
    return aside, notes


def _read_as_others(frame: RawFrame, phase: Phase, usual: _Usual) -> str:
    """That a light is read with the mosaic of the others, which its own header does not state."""
    if frame.mosaic:
        return (
            f"the header says {frame.mosaic}, those of the other lights {usual.stated}; the pixels are as theirs, so "
            "the mosaic is read as theirs"
        )
    alike = phase.diagonal is not None and phase.diagonal == usual.diagonal
    shown = (
        "the pixels show the greens where theirs are"
        if alike
        else "the pixels cannot tell whether that is right"
    )
    return f"no mosaic in the header; {usual.stated} of the other lights is taken, and {shown}"


@dataclass(frozen=True, slots=True)
class _Usual:
    """What most of the exposure shows and states."""

    diagonal: str | None
    stated: str | None
    sigma: float


def _usual(lights: Sequence[RawFrame], phases: Mapping[Path, Phase]) -> _Usual:
    """By exposure; of equal parts that which the headers state, then that which shows more clearly."""
    stated: dict[str, float] = defaultdict(float)
    shown: dict[str, float] = defaultdict(float)
    sigmas: dict[str, list[float]] = defaultdict(list)
    for frame in lights:
        weight, diagonal = frame.exposure_s or 1.0, phases[frame.path].diagonal
        if frame.mosaic:
            stated[frame.mosaic] += weight
        if diagonal:
            shown[diagonal] += weight
            sigmas[diagonal].append(abs(phases[frame.path].sigma))
    pattern = max(stated, key=lambda name: (stated[name], name), default=None)
    said = diagonal_of(pattern) if pattern else None
    diagonal = max(shown, key=lambda name: (shown[name], name == said, max(sigmas[name])), default=None)
    return _Usual(diagonal, pattern, float(np.median(sigmas[diagonal])) if diagonal else 0.0)


def _against_pixels(frame: RawFrame, phase: Phase, usual: _Usual) -> str | None:
    """Why a light cannot be read as the others are, where its own pixels say so."""
    shown = phase.diagonal
    if shown is None or usual.diagonal in (None, shown) or abs(phase.sigma) < WEAK * usual.sigma:
        return None
    if frame.mosaic and frame.mosaic != usual.stated and diagonal_of(frame.mosaic) == shown:
        return (
            f"mosaic {frame.mosaic} instead of {usual.stated or 'that of the others'}, in its header and in its "
            "pixels: the rows are stored the other way round, or it was cropped; run such lights apart"
        )
    alike = frame.mosaic is not None and frame.mosaic == usual.stated
    header = ", though its header says the same as theirs" if alike else ""
    return (
        f"its pixels show the greens on {green_places(shown)} ({abs(phase.sigma):.0f} sigma), those of the other "
        f"lights on {green_places(str(usual.diagonal))}{header}: its rows were mirrored or cropped by other software; "
        "use the file that the camera wrote"
    )


def _header_is_wrong(frame: RawFrame, phase: Phase) -> bool:
    """Whether the pixels of a light speak against its own header."""
    return bool(frame.mosaic) and phase.diagonal not in (None, diagonal_of(str(frame.mosaic)))


def _plain(found: Mapping[Path, Phase]) -> list[Path]:
    """Lights in which clearly no mosaic shows, where it shows in others."""
    if all(phase.diagonal is None for phase in found.values()):
        return []
    return [path for path, phase in found.items() if phase.mono and abs(phase.sigma) < CLEAR_SIGMA]
