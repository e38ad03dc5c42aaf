"""Placing every light on the pixel grid of the best one, and how much light each has compared with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from fourlight.core import bending, matching
from fourlight.errors import InputError
from fourlight.frames import FrameFlag, MeasuredFrame, RegisteredFrame, SetAside, StarList
from fourlight.recipe import Registration
from fourlight.stages.select import kind_of, kinds
from fourlight.stages.star_colours import exchanged
from fourlight.stages.transparency import compared

__all__ = ["choose_reference", "finer_reference", "quality", "register"]

Float64 = npt.NDArray[np.float64]

CENTROID_FLOOR_PX = 0.01
"""Position error that no amount of light removes (pixel shape, seeing that varies over the field)."""

FINER = 0.9
"""Side of a sample over that of the reference below which it counts as finer."""


def quality(frame: MeasuredFrame) -> float:
    """Number of clear stars over the area of their image: high in sharp, dark, transparent frames."""
    snr = _snr(frame.stars)
    width = float(np.nanmean(frame.fwhm_px)) if len(snr) else np.nan
    return float((snr > 15).sum() / width**2) if np.isfinite(width) else 0.0


def _blank(frame: MeasuredFrame) -> int:
    """Number of rows that are missing; others are compared with the sky and the stars of the reference."""
    return sum(y1 - y0 for y0, y1 in frame.raw.blank_rows)


def _snr(stars: StarList) -> Float64:
    """Signal over noise of each star, all planes together."""
    error = np.sqrt((stars.flux_error**2).sum(axis=1))
    return np.asarray(stars.flux.sum(axis=1) / error, dtype=np.float64)


def choose_reference(frames: Sequence[MeasuredFrame], name: str) -> MeasuredFrame:
    """The frame whose grid the stack has: the one named, else that of highest `quality` among those with all rows.

    Where there are several kinds of lights it is one of those that were exposed longest in all.

    Raises
    ------
    InputError
        A frame was named that is not among the lights.
    """
    if not name:
        kind = next(iter(kinds([frame.raw for frame in frames])))
        most = [frame for frame in frames if kind_of(frame.raw) == kind]
        return max(most, key=lambda f: (-_blank(f), quality(f), str(f.raw.path)))
    for frame in frames:
        if frame.raw.path.name == name or str(frame.raw.path) == name:
            return frame
    raise InputError(
        f"registration.reference = {name!r}: no usable light has this file name; "
        "name one of the lights or leave it empty"
    )


def finer_reference(found: Sequence[RegisteredFrame], reference: MeasuredFrame) -> MeasuredFrame | None:
    """A better reference where many lights of its kind have finer samples on the sky; else None.

    Samples of a third of the lights must be finer by a tenth, and their stars as narrow on the sky: on the grid of the
    coarse ones all that they resolve would be lost.
    """
    kind = kind_of(reference.raw)
    alike = [frame for frame in found if kind_of(frame.measured.raw) == kind]
    scale = np.array([np.sqrt(abs(np.linalg.det(frame.matrix[:, :2]))) for frame in alike])
    fine = scale < FINER
    if not fine.any() or 3 * fine.sum() < len(found):
        return None
    width = scale * [np.nanmean(frame.measured.fwhm_px) for frame in alike]
    if not np.nanmedian(width[fine]) <= np.nanmedian(width[~fine]):
        return None
    return choose_reference(
        [frame.measured for frame, is_fine in zip(alike, fine, strict=True) if is_fine], ""
    )


def register(
    frame: MeasuredFrame, reference: MeasuredFrame, settings: Registration, called: str = ""
) -> RegisteredFrame | SetAside:
    """Map of a frame to the reference frame's pixels, and its transparency per plane.

    Parameters
    ----------
    frame, reference : MeasuredFrame
    settings : Registration
    called : str
        What the reference is called in reasons; else by its file name.

    Returns
    -------
    RegisteredFrame, or SetAside with the reason where the frame cannot be placed.
    """
    if frame is reference:
        identity = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
        return RegisteredFrame(frame, identity, 0.0, len(frame.stars), flags=frame.flags)
    if len(frame.stars) < matching.FEWEST:
        return _aside(
            frame,
            f"{len(frame.stars)} star{'s' * (len(frame.stars) != 1)} found, at least {matching.FEWEST} needed to "
            "place it (cloud, cap, focus or overexposed?)",
        )
    stars, target, weight = frame.stars, reference.stars, _weight(frame.stars)
    found = matching.match(
        np.column_stack([stars.x, stars.y]),
        np.column_stack([target.x, target.y]),
        weight,
        size=(frame.raw.nx, frame.raw.ny),
    )
    if found is None:
        other = called or reference.raw.path.name
        return _aside(
            frame,
            f"its {len(stars)} stars do not match the {len(target)} of {other} (other field, cloud or trailing?)",
        )
    found, bend = _curved(found, frame, reference, weight)
    refused = _too_vague(found, min(settings.min_matches, len(target)), settings)
    if refused:
        return _aside(frame, refused)
    light = compared(stars, target, found, float(np.hypot(frame.aperture_error, reference.aperture_error)))
    if light is None:
        return _aside(frame, "fewer than 3 of its stars are clear enough to tell how much light it has")
    pairs = len(found.source_index)
    flags = FrameFlag.FEW_STARS if pairs < 3 * settings.min_matches else FrameFlag.NONE
    return RegisteredFrame(
        frame, found.matrix, found.rms_px, pairs, *light,
        exchanged=exchanged(stars, target, found), bend=bend, flags=frame.flags | flags,
    )  # fmt: skip


def _weight(stars: StarList) -> Float64:
    """Weight of the place of each star (n,): one over its variance in square pixels."""
    spread = CENTROID_FLOOR_PX**2 + (stars.fwhm_px / 2.355 / np.maximum(_snr(stars), 1.0)) ** 2
    # A full star is flat-topped: its place is worth little beside any other star's.
    return np.asarray(1.0 / (spread + np.where(stars.saturated, 0.25, 0.0)))


def _too_vague(found: matching.Match, needed: int, settings: Registration) -> str:
    """Why a match does not place a frame well enough; empty where it does."""
    pairs = len(found.source_index)
    if pairs < needed:
        why = "registration.min_matches" if needed == settings.min_matches else "all that the reference has"
        return f"{pairs} stars matched, {needed} needed ({why})"
    allowed = f"{settings.max_rms_px} allowed (registration.max_rms_px)"
    if found.rms_px > settings.max_rms_px:
        return f"stars miss by {found.rms_px:.2f} px rms, {allowed}"
    if found.corner_px > settings.max_rms_px:
        return f"its {pairs} stars leave {found.corner_px:.1f} px of doubt at the corners, {allowed}"
    return ""


def _curved(
    found: matching.Match, frame: MeasuredFrame, reference: MeasuredFrame, weight: Float64
) -> tuple[matching.Match, Float64 | None]:
    """The match with the pairs of a curved map, and that map, where the stars show that a straight one will not do."""
    source, target = (np.column_stack([each.stars.x, each.stars.y]) for each in (frame, reference))
    size, target_size = ((each.raw.nx, each.raw.ny) for each in (frame, reference))
    curved = bending.bent(found, source, target, weight, size, target_size)
    if curved is None:
        return found, None
    straighter = replace(
        found, matrix=curved.matrix, source_index=curved.source_index, target_index=curved.target_index,
        rms_px=curved.rms_px, corner_px=curved.corner_px,
    )  # fmt: skip
    return straighter, curved.bend


def _aside(frame: MeasuredFrame, reason: str) -> SetAside:
    return SetAside(frame.raw.path, "register", reason)
