"""First steps of a run: which frames there are, which belong together, and which can be read to their end."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

from fourlight.core.phase import Phase
from fourlight.engine import in_order
from fourlight.errors import FrameError, OutputError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.io.pixels import masked
from fourlight.io.scan import Scan
from fourlight.pipeline.job import Job
from fourlight.pipeline.names import short_names
from fourlight.provenance import file_hash
from fourlight.stages.blank import rows_in_words, with_blank_rows
from fourlight.stages.copies import without_copies
from fourlight.stages.groups import counted
from fourlight.stages.masters import OpenSource
from fourlight.stages.mosaic import evidence
from fourlight.stages.mosaic_kinds import apart
from fourlight.stages.select import choose_lights

__all__ = ["checked", "chosen", "foreseen", "once", "with_mosaic"]

RAW_ROLES = (Role.DARK, Role.FLAT, Role.BIAS, Role.DARKFLAT)


def chosen(job: Job, found: Scan) -> tuple[list[RawFrame], list[RawFrame]]:
    """Lights that make one stack, in time order, and all calibration frames."""
    job.names = short_names([f.path for f in found.frames] + [f.path for f in found.set_aside])
    job.roles = {item.path: item.role for item in found.set_aside if item.role}
    job.roles |= {frame.path: frame.role for frame in found.frames}
    job.drop(found.set_aside)
    job.notes += found.notes
    lights, aside, notes = choose_lights(found.frames, job.recipe.read.filter)
    job.drop(aside)
    job.notes += notes
    others = [frame for frame in found.frames if frame.role in RAW_ROLES]
    job.progress.step()
    total = Counter(frame.role for frame in others)
    counts = ", ".join(counted(total[role], role) for role in RAW_ROLES if total[role])
    nights = len({frame.night for frame in lights if frame.night})
    when = f" of {nights} night{'s' * (nights != 1)}" if nights else ""
    job.progress.end(f"{len(lights)} lights{when}; {counts or 'no calibration frames'}")
    if job.folder.left_by:
        job.progress.begin("output", 1)
        job.progress.end(f"going on where {job.folder.left_by} ended without a word")
    return lights, others


def checked(job: Job, frames: Sequence[RawFrame]) -> tuple[list[RawFrame], dict[Path, str]]:
    """Frames that can be read to their end, their blank rows noted, and the hash of each file.

    The others are set aside.
    """
    job.progress.begin("check", len(frames))
    hashes: dict[Path, str] = {}

    def work(frame: RawFrame) -> tuple[RawFrame, str] | SetAside:
        try:
            # packed files are unpacked here, which finds damage further in
            return with_blank_rows(frame, job.source(frame)), file_hash(frame.path)
        except FrameError as error:
            return SetAside(frame.path, "read", error.reason)
        except OutputError:  # there is no room to unpack it: not the frame's fault
            raise
        except OSError as error:
            return SetAside(frame.path, "read", f"cannot be read: {error.strerror}")

    kept: list[RawFrame] = []
    for frame, result in zip(frames, in_order(work, frames, job.threads), strict=True):
        if isinstance(result, SetAside):
            job.drop([result])
        else:
            kept.append(result[0])
            hashes[frame.path] = result[1]
        job.progress.step()
    lacking = sum(bool(frame.blank_rows) for frame in kept)
    job.progress.end(f"{len(kept)} files checked" + (f", {lacking} with rows missing" if lacking else ""))
    return kept, hashes


def _blank_notes(frames: Iterable[RawFrame], names: Mapping[Path, str]) -> list[str]:
    """Which rows of which frames are left out, frames with the same rows together."""
    alike: dict[tuple[tuple[int, int], ...], list[str]] = {}
    for frame in frames:
        if frame.blank_rows:
            alike.setdefault(frame.blank_rows, []).append(names[frame.path])
    return [
        f"{', '.join(called)}: {rows_in_words(rows)} hold one value only, as where a transfer was cut; "
        "they are left out, the other rows count."
        for rows, called in alike.items()
    ]


def once(job: Job, frames: list[RawFrame], hashes: dict[Path, str]) -> list[RawFrame]:
    """Frames without copies."""
    kept, aside, notes = without_copies(frames, hashes, job.names, job.source)
    job.drop(aside)
    job.notes += [*notes, *_blank_notes(kept, job.names)]
    return kept


def with_mosaic(job: Job, lights: list[RawFrame]) -> list[RawFrame]:
    """Lights that have the mosaic of most of them, as far as their pixels and headers can tell."""

    def look(frame: RawFrame) -> Phase | SetAside:
        try:
            return evidence(job.source(frame), frame.saturation_adu)
        except FrameError as error:
            return SetAside(frame.path, "read", error.reason)

    found: dict[Path, Phase] = {}
    for frame, phase in zip(lights, in_order(look, lights, job.threads), strict=True):
        if isinstance(phase, SetAside):
            job.drop([phase])
        else:
            found[frame.path] = phase
        job.progress.step()
    lights = [frame for frame in lights if frame.path in found]
    aside, notes = apart(lights, found, job.recipe.read.mosaic)
    job.drop(aside)
    job.notes += [f"{job.names[path]}: {note}." for path, note in notes.items()]
    out = {item.path for item in aside}
    return [frame for frame in lights if frame.path not in out]


def foreseen(
    frames: Sequence[RawFrame], source: OpenSource, threads: int
) -> tuple[list[RawFrame], list[SetAside]]:
    """What a run would find in the samples: blank rows, copies, lights without a mosaic among others, damage.

    Files are not read to their end, but for files without a date that are equal in size.

    Parameters
    ----------
    frames : sequence of RawFrame
        All frames found, of any role.
    source : callable
        Opens the samples of a frame.
    threads : int
        Frames looked at side by side.

    Returns
    -------
    list of RawFrame
        Frames that a run would use, their blank rows noted.
    list of SetAside
        The others.
    """
    aside: list[SetAside] = []
    sound: dict[Path, RawFrame] = {}
    phases: dict[Path, Phase] = {}
    for seen in in_order(partial(_seen, source=source), frames, threads):
        if isinstance(seen, SetAside):
            aside.append(seen)
            continue
        sound[seen[0].path] = seen[0]
        if seen[1] is not None:
            phases[seen[0].path] = seen[1]
    names = short_names(sound)
    kinds: dict[tuple[object, ...], list[RawFrame]] = {}
    for path in phases:
        kinds.setdefault(_camera(sound[path]), []).append(sound[path])
    for lights in kinds.values():
        unlike, notes = apart(lights, {frame.path: phases[frame.path] for frame in lights})
        aside += unlike
        for path, note in notes.items():
            sound[path] = replace(sound[path], problems=(*sound[path].problems, note))
    out = {item.path for item in aside}
    rest = [frame for frame in sound.values() if frame.path not in out]
    kept, copies, _ = without_copies(rest, _keys(rest), names, source)
    return kept, [*aside, *copies]


def _camera(frame: RawFrame) -> tuple[object, ...]:
    return frame.camera, frame.ny, frame.nx


def _seen(frame: RawFrame, source: OpenSource) -> tuple[RawFrame, Phase | None] | SetAside:
    """A frame with its blank rows noted, and what a light shows of its mosaic."""
    try:
        samples = source(frame)
        frame = with_blank_rows(frame, samples)
        light = frame.role is Role.LIGHT
        return frame, evidence(masked(samples, frame), frame.saturation_adu) if light else None
    except FrameError as error:
        return SetAside(frame.path, "read", error.reason)


def _keys(frames: Sequence[RawFrame]) -> dict[Path, str]:
    """What tells files without a date apart: their hash where sizes are equal."""
    sizes = {frame.path: frame.path.stat().st_size for frame in frames if not frame.time}
    alike = Counter(sizes.values())
    return {
        frame.path: file_hash(frame.path) if alike[sizes.get(frame.path, -1)] > 1 else str(frame.path)
        for frame in frames
    }
