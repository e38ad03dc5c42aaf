"""A camera measured from folders of flats, bias frames and darks: the order of the work."""

from __future__ import annotations

import os
import tempfile
from collections import Counter
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import numpy as np

from fourlight.core.cutoff import CUT_OFF
from fourlight.core.pairregions import LEAST_SIDE
from fourlight.core.rounded import COARSE
from fourlight.engine import Progress, thread_count
from fourlight.errors import FrameError, InputError
from fourlight.frames import RawFrame, Role
from fourlight.io.pixels import decoded_bytes, open_pixels
from fourlight.io.room import free_room
from fourlight.io.scan import scan
from fourlight.pipeline.camera_maps import MAP_BYTES, Work, measure_maps
from fourlight.report import words
from fourlight.sensor.profile import Camera
from fourlight.stages import camera_frames
from fourlight.stages.blank import with_blank_rows
from fourlight.stages.camera_linearity import linearities
from fourlight.stages.camera_pairs import Dark, Look, dark_of, flat_points, look
from fourlight.stages.camera_results import Counts, Found
from fourlight.stages.camera_transfer import bend_of, camera_gain, transfers, with_bend
from fourlight.stages.groups import counted

__all__ = ["measured_camera"]

SMALLEST = 2 * LEAST_SIDE
"""Pixels along a side, for four regions at least."""
NOT_BIAS = 0.02
"""Share of the light of flats by which the places of bias frames may differ: without light they are alike."""
NOT_BIAS_ADU = 10.0


def measured_camera(
    flats: Path, bias: Path, darks: Path | None, mosaic: str | None, progress: Progress
) -> Found:
    """Everything that these frames tell of a camera.

    Parameters
    ----------
    flats, bias : Path
        Folders (or files) of flats and of bias frames; only ever read.
    darks : Path or None
        The same of darks.
    mosaic : str or None
        Pattern in array order, instead of that of the headers.
    progress : Progress

    Raises
    ------
    InputError
        They cannot tell a gain: what was found, what is needed.
    OutputError
        There is no room for temporary maps.
    """
    with tempfile.TemporaryDirectory(prefix="fourlight-") as folder:
        place = Path(folder)
        source = partial(open_pixels, decoded=place / "decoded")
        work = Work(source, place, progress, thread_count(0))
        try:
            return _measured(work, flats, bias, darks, mosaic)
        except FrameError as error:
            raise InputError(f"{error}; take it out of the folder, or replace it") from error


def _measured(work: Work, flats: Path, bias: Path, darks: Path | None, mosaic: str | None) -> Found:
    lit, unlit, dimmed = _frames(work, flats, bias, darks)
    stated = _mosaic((*lit, *unlit))
    pattern = mosaic or stated
    if stated and stated != pattern:
        work.note(f"The headers say {stated}; places are named by the mosaic that was given, {pattern}.")
    names = camera_frames.place_names(pattern)
    lit, seen = _looked(work, lit, str(flats))
    dimmed = _looked(work, dimmed, str(darks))[0] if dimmed else []
    unlit, unseen = _looked(work, unlit, str(bias))
    _without_light(unseen, seen, str(bias), str(flats))
    _not_cut_off(unseen, str(bias))
    dark = _dark(work, unlit, min(one.step for one in (*seen, *unseen)))
    levels = np.array([one.level for one in seen]) - np.nanmean(dark.level, axis=1)
    groups = camera_frames.flat_pairs(lit, levels, str(flats), work.note)
    full = _full(lit, seen)
    work.progress.begin("flats", sum(map(len, groups)))
    points = flat_points(groups, work.open_source, dark, full, work.threads, work.progress.step)
    places = transfers(points, dark, names, full, str(flats))
    bend = bend_of(points, dark, places, names, work.note)
    gain = camera_gain(places, "gain", bend, work.note)
    work.progress.end(f"gain {gain.value:.3f} +- {gain.error:.3f} e/ADU")
    found = Found(
        _camera(lit, unlit, pattern, dark.step), names, dark, points, with_bend(places, bend), gain,
        camera_gain(places, "read_noise", bend, work.note),
        Counts(len(lit), sum(map(len, groups)), len(unlit), dark.pairs, len(dimmed)),
        notes=work.notes,
    )  # fmt: skip
    _straight(work, found, groups)
    pooled = [[frame for pair in group for frame in pair] for group in groups]
    measure_maps(work, found, pooled, lit, levels, unlit, dimmed)
    return found


def _frames(
    work: Work, flats: Path, bias: Path, darks: Path | None
) -> tuple[list[RawFrame], list[RawFrame], list[RawFrame]]:
    """Flats, bias frames and darks that belong together, as far as headers say."""
    work.progress.begin("read", 3)
    lit = camera_frames.flat_frames(_read(work, flats), str(flats), work.note)
    unlit = camera_frames.bias_frames(_read(work, bias), str(bias), work.note)
    camera_frames.alike(lit[0], unlit[0])
    ny, nx = lit[0].ny, lit[0].nx
    if min(ny, nx) < SMALLEST:
        raise InputError(
            f"{flats}: frames of {nx} x {ny} pixels; {SMALLEST} along each side are needed for errors"
        )
    long = () if darks is None else _read(work, darks)
    dimmed = [] if darks is None else camera_frames.dark_frames(long, lit[0], str(darks), work.note)
    needed = sum(decoded_bytes(f, work.folder / "decoded") for f in (*lit, *unlit, *dimmed))
    free_room(work.folder, needed + 3 * MAP_BYTES * ny * nx, "unpacked frames and maps")
    parts = ((lit, Role.FLAT), (unlit, Role.BIAS), (dimmed, Role.DARK))
    work.progress.end(", ".join(counted(len(some), role) for some, role in parts))
    return lit, unlit, dimmed


def _straight(work: Work, found: Found, groups: Sequence[Sequence[camera_frames.Pair]]) -> None:
    """Linearity."""
    found.lines, lacking = linearities(groups, found.points, found.places, found.names)
    if lacking:
        found.missing["linearity"] = lacking
    short = [part.name for part in found.places if not part.saturation.reached]
    if found.lines and short:
        work.note(
            f"The flats do not fill {', '.join(short)}: linearity there is for 5 to 95 % of the brightest level "
            "instead of saturation."
        )


def _read(work: Work, folder: Path) -> list[RawFrame]:
    """Frames of a folder; files that cannot be used are told."""
    there = scan([Path(os.path.abspath(folder))])
    reasons = Counter(item.reason for item in there.set_aside)
    for reason, number in reasons.most_common(3):
        work.note(f"{number} file{'s' * (number != 1)} in {folder} left out: {reason}.")
    if not there.frames:
        raise InputError(
            f"{folder}: no frame can be used ({reasons.most_common(1)[0][0]}); replace the files, or name "
            "another folder"
        )
    work.progress.step()
    return list(there.frames)


def _mosaic(frames: Sequence[RawFrame]) -> str | None:
    stated = Counter(frame.mosaic for frame in frames if frame.mosaic)
    return stated.most_common(1)[0][0] if stated else None


def _camera(lit: Sequence[RawFrame], unlit: Sequence[RawFrame], pattern: str | None, step: float) -> Camera:
    first = lit[0]
    known = [f.temperature_c for f in unlit if f.temperature_c is not None]
    either = [next((v for f in (*lit, *unlit) if (v := getattr(f, name)) is not None), None)
              for name in ("camera", "gain_setting", "offset_setting")]  # fmt: skip
    return Camera(
        name=str(either[0] or ""),
        width_px=first.nx,
        height_px=first.ny,
        binning=first.binning,
        mosaic=pattern or "",
        gain_setting=either[1],
        offset_setting=either[2],
        temperature_c=round(float(np.mean(known)), 2) if known else None,
        step_adu=step,
    )


def _looked(work: Work, frames: Sequence[RawFrame], folder: str) -> tuple[list[RawFrame], list[Look]]:
    """Frames that are whole and no copies of others, whose difference would be nothing; and a first look at each.

    Rows that never came are undefined in them.

    Raises
    ------
    InputError
        None is left.
    """
    work.progress.begin("look", len(frames))
    kept: dict[str, tuple[RawFrame, Look]] = {}
    copies, reason = 0, ""
    for frame in frames:
        work.progress.step()
        try:
            whole = with_blank_rows(frame, work.open_source(frame))
            found = look(whole, work.open_source)
        except FrameError as error:
            reason = error.reason
            work.note(f"{frame.path.name} left out: {reason}.")
            continue
        copies += found.mark in kept
        kept.setdefault(found.mark, (whole, found))
    if not kept:
        raise InputError(
            f"{folder}: no frame can be used ({reason}); replace the files, or name another folder"
        )
    if copies:
        work.note(
            f"{copies} file{'s' * (copies != 1)} in {folder} left out: the same samples as another one."
        )
    work.progress.end(f"levels of {words.counted(len(kept), 'frame')} in {folder}")
    return [frame for frame, _ in kept.values()], [found for _, found in kept.values()]


def _without_light(unlit: Sequence[Look], lit: Sequence[Look], bias: str, flats: str) -> None:
    """Refuse bias frames that hold light."""
    if len(unlit) < 2:
        raise InputError(
            f"{bias}: 1 bias frame found that is no copy; 2 are needed for a pair, 10 are better"
        )
    brightest = max(float(np.nanmax(one.level)) for one in lit)
    for one in unlit:
        spread = float(np.ptp(one.level))
        if one.level.min() >= brightest:
            raise InputError(
                f"{bias}: these are no bias frames: at {one.level.mean():.0f} ADU they are as bright as the flats "
                f"({flats}); were the folders exchanged?"
            )
        if spread > max(NOT_BIAS * (brightest - one.level.min()), NOT_BIAS_ADU):
            raise InputError(
                f"{bias}: these are no bias frames: their colours differ by {spread:.0f} ADU, so light fell on them; "
                "name a folder with frames without light of the shortest exposure"
            )


def _not_cut_off(unlit: Sequence[Look], bias: str) -> None:
    """Refuse bias frames whose noise the digitiser cuts off: level and noise without light are not to be known."""
    share = float(np.median([one.cut for one in unlit]))
    if share > CUT_OFF:
        least = min(one.least for one in unlit)
        raise InputError(
            f"{bias}: these bias frames are cut off at {least:g} ADU, below which their noise would put "
            f"{100 * share:.1f} % of the samples: how much a sample holds and scatters without light cannot be known "
            "from them; take bias frames and flats with a higher offset (black level)"
        )


def _dark(work: Work, unlit: Sequence[RawFrame], step: float) -> Dark:
    """Level and noise without light."""
    pairs = camera_frames.pairs_in_time(unlit)
    work.progress.begin("bias frames", len(pairs))
    dark = dark_of(pairs, work.open_source, step, work.threads, work.progress.step)
    noise = float(np.mean([part.value for part in dark.noise]))
    work.progress.end(f"read noise {noise:.3f} ADU" + (", by counts of values" if dark.coarse else ""))
    if dark.coarse:
        work.note(
            f"Bias frames scatter by less than {COARSE:g} steps of the digitiser, rounding included: read noise is "
            "from how often pairs of values occur, not from their variance."
        )
    return dark


def _full(frames: Sequence[RawFrame], seen: Sequence[Look]) -> float:
    """Level of full samples: the lowest that headers say or flats show, inf where neither does."""
    said = [f.saturation_adu for f in frames if f.saturation_adu is not None]
    return min([*said, *(one.full for one in seen)], default=float("inf"))
