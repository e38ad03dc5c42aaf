"""First steps of a run: which frames there are, which belong together, and which can be read to their end."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from fourlight.core.phase import Phase
from fourlight.engine import in_order
from fourlight.errors import FrameError, InputError, OutputError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.io.pixels import open_pixels
from fourlight.io.scan import Scan
from fourlight.pipeline.job import Sorting
from fourlight.pipeline.names import short_names
from fourlight.provenance import file_state
from fourlight.stages.blank import with_blank_rows
from fourlight.stages.copies import find_copies, without_copies, without_equal_files
from fourlight.stages.groups import counted
from fourlight.stages.mosaic import evidence
from fourlight.stages.mosaic_kinds import apart
from fourlight.stages.select import choose_lights, in_time, kinds, of_several_exposures

__all__ = ["RAW_ROLES", "cheap_keys", "checked", "chosen", "looked", "once", "settled"]

DECODE_BYTES = 12
"""Per pixel of a frame while it is unpacked."""
LOOK_BYTES = 75_000_000
"""While the mosaic of a frame is looked at, in its middle."""
RAW_ROLES = (Role.DARK, Role.FLAT, Role.BIAS, Role.DARKFLAT)


def chosen(sorting: Sorting, found: Scan) -> tuple[list[RawFrame], list[RawFrame]]:
    """Lights that make one stack, in time order, and all calibration frames.

    Raises
    ------
    InputError
        No two lights that belong together can be used.
    """
    sorting.names = short_names([f.path for f in found.frames] + [f.path for f in found.set_aside])
    sorting.roles = {item.path: item.role for item in found.set_aside if item.role}
    sorting.roles |= {frame.path: frame.role for frame in found.frames}
    sorting.drop(found.set_aside)
    sorting.notes += found.notes
    lights = [frame for frame in found.frames if frame.role is Role.LIGHT]
    lost = sorting.lights_among(found.set_aside)
    left_out = sorting.why_aside(lost)
    if not lights and lost and (not found.frames or any(item.role is Role.LIGHT for item in lost)):
        raise InputError(
            f"no light can be used: {left_out}; replace them, or name other folders",
            "no light can be used; replace the files that are set aside above, or name other folders",
        )
    read, tolerance_c = sorting.recipe.read, sorting.recipe.calibrate.temperature_tolerance_c
    spare = _spare(sorting, lights)
    lights, aside, remarks = choose_lights(
        found.frames, read.filter, tolerance_c, spare, left_out, mix=read.mix_kinds
    )
    sorting.drop(aside)
    sorting.remarks += remarks
    others = [frame for frame in found.frames if frame.role in RAW_ROLES]
    sorting.progress.step()
    total = Counter(frame.role for frame in others)
    counts = ", ".join(counted(total[role], role) for role in RAW_ROLES if total[role])
    nights = len({frame.night for frame in lights if frame.night})
    when = f" of {nights} night{'s' * (nights != 1)}" if nights else ""
    aside_so_far = f"; {len(sorting.set_aside)} set aside" if sorting.set_aside else ""
    sorting.progress.end(f"{len(lights)} lights{when}; {counts or 'no calibration frames'}{aside_so_far}")
    return lights, others


def _spare(sorting: Sorting, lights: Sequence[RawFrame]) -> set[Path]:
    """Copies of other lights, where there are several kinds: the longest exposed one is chosen, copies not counted.

    They are set aside later, when it is known which lights have the mosaic of most.
    """
    found = kinds(lights).values()
    if len(found) < 2:
        return set()
    keys = cheap_keys(sorting, lights)
    return {
        copy.frame.path
        for frames in found
        for copy in find_copies(frames, keys, lambda frame: open_pixels(frame, None))[0]
    }


def checked(sorting: Sorting, frames: Sequence[RawFrame]) -> tuple[list[RawFrame], dict[Path, str]]:
    """Frames that can be read to their end, their blank rows noted, and the hash of each file.

    The others are set aside.
    """
    sorting.progress.begin("check", len(frames))
    hashes: dict[Path, str] = {}

    def work(frame: RawFrame) -> tuple[RawFrame, str] | SetAside:
        known, state = sorting.known.get(frame.path), file_state(frame.path)
        try:
            if known is not None and known.is_still(frame.path):
                found = replace(frame, blank_rows=known.blank_rows, problems=known.problems), known.sha256
            else:  # packed files are unpacked here, which finds damage further in
                found = with_blank_rows(frame, sorting.source(frame)), sorting.hash(frame.path)
        except FrameError as error:
            return SetAside(frame.path, "read", error.reason)
        except OutputError:  # there is no room to unpack it: not the frame's fault
            raise
        except OSError as error:
            return SetAside(frame.path, "read", f"cannot be read: {error.strerror}")
        sorting.states[frame.path] = state
        return found

    kept: list[RawFrame] = []
    threads = sorting.at_once(DECODE_BYTES * max((frame.ny * frame.nx for frame in frames), default=1))
    for frame, result in zip(frames, in_order(work, frames, threads), strict=True):
        if isinstance(result, SetAside):
            sorting.drop([result])
        else:
            kept.append(result[0])
            hashes[frame.path] = result[1]
        sorting.progress.step()
    lacking = sum(bool(frame.blank_rows) for frame in kept)
    sorting.progress.end(f"{len(kept)} files checked" + (f", {lacking} with rows missing" if lacking else ""))
    return kept, hashes


def settled(sorting: Sorting, lights: list[RawFrame], hashes: dict[Path, str]) -> list[RawFrame]:
    """Lights that can be read, each exposure once, each kind with one mosaic: those that go into the run.

    Files with equal bytes leave first, so that copies do not decide which mosaic most lights have.

    Raises
    ------
    InputError
        Fewer than two are left.
    """
    lights, aside = without_equal_files(lights, hashes, sorting.called)
    sorting.drop(aside)
    sorting.need_two(len(lights))
    sorting.progress.begin("mosaic", len(lights))
    earlier = [frame for frame in lights if frame.path in sorting.known]
    later = _with_mosaic(sorting, [frame for frame in lights if frame.path not in sorting.known])
    lights = once(sorting, sorted([*earlier, *later], key=in_time), hashes)
    sorting.need_two(len(lights))
    sorting.remarks += of_several_exposures(lights)
    return lights


def once(sorting: Sorting, frames: list[RawFrame], hashes: dict[Path, str]) -> list[RawFrame]:
    """Frames without copies."""
    kept, aside, remarks = without_copies(frames, hashes, sorting.called, sorting.source)
    sorting.drop(aside)
    sorting.remarks += remarks
    return kept


def _with_mosaic(sorting: Sorting, lights: list[RawFrame]) -> list[RawFrame]:
    """Lights that have the mosaic of most of their kind, as far as their pixels and headers can tell."""

    def look(frame: RawFrame) -> Phase | SetAside:
        try:
            return evidence(sorting.source(frame), frame.saturation_adu)
        except FrameError as error:
            return SetAside(frame.path, "read", error.reason)

    found: dict[Path, Phase] = {}
    threads = sorting.at_once(LOOK_BYTES)
    for frame, phase in zip(lights, in_order(look, lights, threads), strict=True):
        if isinstance(phase, SetAside):
            sorting.drop([phase])
        else:
            found[frame.path] = phase
        sorting.progress.step()
    lights = [frame for frame in lights if frame.path in found]
    aside: list[SetAside] = []
    notes: dict[Path, tuple[str, ...]] = {}
    for alike in kinds(lights).values():
        unlike, said = apart(alike, found, sorting.recipe.read.mosaic)
        aside += unlike
        notes |= said
    sorting.drop(aside)
    out = {item.path for item in aside}
    return [
        replace(frame, problems=(*frame.problems, *notes.get(frame.path, ())))
        for frame in lights
        if frame.path not in out
    ]


def looked(sorting: Sorting, frames: Sequence[RawFrame]) -> list[RawFrame]:
    """Frames whose samples can be opened, their blank rows noted; files are not read to their end."""

    def work(frame: RawFrame) -> RawFrame | SetAside:
        try:
            return with_blank_rows(frame, sorting.source(frame))
        except FrameError as error:
            return SetAside(frame.path, "read", error.reason)

    results = list(in_order(work, frames, sorting.threads))
    sorting.drop([item for item in results if isinstance(item, SetAside)])
    return [item for item in results if isinstance(item, RawFrame)]


def cheap_keys(sorting: Sorting, frames: Sequence[RawFrame]) -> dict[Path, str]:
    """What may tell files apart without reading all of them: their hash where size and date (or its lack) are equal.

    Others are told apart by their samples (`once`).
    """
    looks = {frame.path: (frame.path.stat().st_size, frame.time) for frame in frames}
    alike = Counter(looks.values())
    return {path: sorting.hash(path) if alike[look] > 1 else str(path) for path, look in looks.items()}
