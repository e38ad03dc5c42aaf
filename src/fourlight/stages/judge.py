"""Judging frames against each other: clouds, trailed and defocused frames, and what is too bad to use."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TypeVar

import numpy as np

from fourlight.frames import FrameFlag, MeasuredFrame, RawFrame, RegisteredFrame, SetAside
from fourlight.recipe import Integrate
from fourlight.stages.select import kind_of

__all__ = ["JUDGED", "judge_light", "judge_shapes", "poor_nights"]

Frame = TypeVar("Frame")

JUDGED = "judge"
"""Stage that sets lights aside which could be used, for what is measured of them."""
WIDE = 1.35
"""Stars this much wider than usual are flagged as defocused."""
FAR_TOO_WIDE = 2.0
"""Stars this much wider than usual are not used: they carry no detail and a hundred times the sky."""
LONG = 1.35
FAR_TOO_LONG = 1.9
LONG_AT_ALL = 1.6
"""Length over width from which stars look trailed whatever is usual; common practice, no source."""
CLOUDED = 0.8
"""Share of the usual light under which a frame is flagged as clouded."""
BRIGHT = 1.5
"""Sky per second over the usual one above which a frame is flagged."""


def judge_shapes(
    frames: Sequence[MeasuredFrame], anyway: Collection[Path] = ()
) -> tuple[list[MeasuredFrame], list[SetAside]]:
    """Flag trailed and defocused frames, and set aside those that are far off.

    Each frame is compared with the median of all of its kind: what is usual in these nights is not a fault.
    Frames of ``anyway`` are kept whatever is said of them.
    """
    kept: dict[Path, MeasuredFrame] = {}
    aside: list[SetAside] = []
    for alike in _by_kind(frames, [frame.raw for frame in frames]):
        good, bad = _judge_shape(alike, anyway)
        kept |= {frame.raw.path: frame for frame in good}
        aside += bad
    return [kept[frame.raw.path] for frame in frames if frame.raw.path in kept], aside


def _by_kind(frames: Sequence[Frame], raw: Sequence[RawFrame]) -> list[list[Frame]]:
    """Frames of each camera, size and gain together."""
    found: dict[object, list[Frame]] = {}
    for frame, facts in zip(frames, raw, strict=True):
        found.setdefault(kind_of(facts), []).append(frame)
    return list(found.values())


def _judge_shape(
    frames: Sequence[MeasuredFrame], anyway: Collection[Path]
) -> tuple[list[MeasuredFrame], list[SetAside]]:
    width = np.array([np.nanmean(f.fwhm_px) if len(f.stars) else np.nan for f in frames])
    long = np.array([np.nanmedian(f.elongation) if len(f.stars) else np.nan for f in frames])
    sky = np.array([f.sky.sum() / (f.raw.exposure_s or 1.0) for f in frames])
    if not np.isfinite(width).any():
        return list(frames), []
    usual_width, usual_long, usual_sky = np.nanmedian(width), np.nanmedian(long), np.median(sky)
    kept: list[MeasuredFrame] = []
    aside: list[SetAside] = []
    for frame, w, e, s in zip(frames, width, long, sky, strict=True):
        if e > FAR_TOO_LONG * usual_long:
            reason = f"trailed: stars {e:.1f} times as long as wide, {usual_long:.1f} is usual"
            aside.append(SetAside(frame.raw.path, JUDGED, reason))
            if frame.raw.path not in anyway:
                continue
        if w > FAR_TOO_WIDE * usual_width:
            reason = f"out of focus: stars {w:.1f} px wide, {usual_width:.1f} is usual"
            aside.append(SetAside(frame.raw.path, JUDGED, reason))
            if frame.raw.path not in anyway:
                continue
        flags = frame.flags
        flags |= FrameFlag.TRAILED if e > LONG * usual_long else FrameFlag.NONE
        flags |= FrameFlag.DEFOCUSED if w > WIDE * usual_width else FrameFlag.NONE
        flags |= FrameFlag.BRIGHT_SKY if usual_sky > 0 and s > BRIGHT * usual_sky else FrameFlag.NONE
        flags |= FrameFlag.NO_DATE if frame.raw.time is None else FrameFlag.NONE
        flags |= FrameFlag.IN_PART if frame.raw.blank_rows else FrameFlag.NONE
        kept.append(dataclasses.replace(frame, flags=flags))
    return kept, aside


def poor_nights(frames: Sequence[MeasuredFrame]) -> list[str]:
    """What is wrong with most frames alike, in sentences: nothing stands out there, so none is set aside."""
    long = [float(np.nanmedian(f.elongation)) for f in frames if np.isfinite(f.elongation).any()]
    if not long or np.median(long) < LONG_AT_ALL:
        return []
    said = f"stars are {np.median(long):.1f} times as long as wide in the typical frame"
    return [f"{said} (guiding, wind or tilted optics); none was set aside for it, for all are alike."]


def judge_light(
    frames: Sequence[RegisteredFrame], settings: Integrate, anyway: Collection[Path] = ()
) -> tuple[list[RegisteredFrame], list[SetAside]]:
    """Flag clouded frames and set aside those with next to no light; allows for exposure, and for what is of a kind.

    Frames of ``anyway`` are kept whatever is said of them.
    """
    usual = {
        id(frame): float(np.median([_rate(f) for f in alike]))
        for alike in _by_kind(frames, [frame.measured.raw for frame in frames])
        for frame in alike
    }
    kept: list[RegisteredFrame] = []
    aside: list[SetAside] = []
    for frame in frames:
        share = _rate(frame) / usual[id(frame)]
        if share < settings.min_transparency:
            reason = (
                f"cloud: {100 * share:.0f} % of the usual starlight, {100 * settings.min_transparency:.0f} % needed "
                "(integrate.min_transparency)"
            )
            aside.append(SetAside(frame.measured.raw.path, JUDGED, reason))
            if frame.measured.raw.path not in anyway:
                continue
        flag = FrameFlag.CLOUD if share < CLOUDED else FrameFlag.NONE
        kept.append(dataclasses.replace(frame, flags=frame.flags | flag))
    return kept, aside


def _rate(frame: RegisteredFrame) -> float:
    """Light per second over the reference's in its whole exposure."""
    return float(frame.transparency.mean() / (frame.measured.raw.exposure_s or 1.0))
