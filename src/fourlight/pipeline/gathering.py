"""First steps of a run: which frames there are, which belong together, and which can be read to their end."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from fourlight.core.phase import Phase
from fourlight.engine import in_order
from fourlight.errors import FrameError, OutputError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.io.scan import Scan
from fourlight.pipeline.job import Sorting
from fourlight.pipeline.names import short_names
from fourlight.provenance import file_hash
from fourlight.stages.blank import rows_in_words, with_blank_rows
from fourlight.stages.copies import without_copies
from fourlight.stages.groups import counted
from fourlight.stages.mosaic import evidence
from fourlight.stages.mosaic_kinds import apart
from fourlight.stages.select import choose_lights

__all__ = ["RAW_ROLES", "cheap_keys", "checked", "chosen", "looked", "once", "with_mosaic"]

RAW_ROLES = (Role.DARK, Role.FLAT, Role.BIAS, Role.DARKFLAT)


def chosen(sorting: Sorting, found: Scan) -> tuple[list[RawFrame], list[RawFrame]]:
    """Lights that make one stack, in time order, and all calibration frames."""
    sorting.names = short_names([f.path for f in found.frames] + [f.path for f in found.set_aside])
    sorting.roles = {item.path: item.role for item in found.set_aside if item.role}
    sorting.roles |= {frame.path: frame.role for frame in found.frames}
    sorting.drop(found.set_aside)
    unusable = sorting.reasons(found.set_aside)
    sorting.notes += found.notes
    read, tolerance_c = sorting.recipe.read, sorting.recipe.calibrate.temperature_tolerance_c
    lights, aside, notes = choose_lights(found.frames, read.filter, tolerance_c, unusable)
    sorting.drop(aside)
    sorting.notes += notes
    others = [frame for frame in found.frames if frame.role in RAW_ROLES]
    sorting.progress.step()
    total = Counter(frame.role for frame in others)
    counts = ", ".join(counted(total[role], role) for role in RAW_ROLES if total[role])
    nights = len({frame.night for frame in lights if frame.night})
    when = f" of {nights} night{'s' * (nights != 1)}" if nights else ""
    sorting.progress.end(f"{len(lights)} lights{when}; {counts or 'no calibration frames'}")
    return lights, others


def checked(sorting: Sorting, frames: Sequence[RawFrame]) -> tuple[list[RawFrame], dict[Path, str]]:
    """Frames that can be read to their end, their blank rows noted, and the hash of each file.

    The others are set aside.
    """
    sorting.progress.begin("check", len(frames))
    hashes: dict[Path, str] = {}

    def work(frame: RawFrame) -> tuple[RawFrame, str] | SetAside:
        try:
            # packed files are unpacked here, which finds damage further in
            return with_blank_rows(frame, sorting.source(frame)), file_hash(frame.path)
        except FrameError as error:
            return SetAside(frame.path, "read", error.reason)
        except OutputError:  # there is no room to unpack it: not the frame's fault
            raise
        except OSError as error:
            return SetAside(frame.path, "read", f"cannot be read: {error.strerror}")

    kept: list[RawFrame] = []
    for frame, result in zip(frames, in_order(work, frames, sorting.threads), strict=True):
        if isinstance(result, SetAside):
            sorting.drop([result])
        else:
            kept.append(result[0])
            hashes[frame.path] = result[1]
        sorting.progress.step()
    lacking = sum(bool(frame.blank_rows) for frame in kept)
    sorting.progress.end(f"{len(kept)} files checked" + (f", {lacking} with rows missing" if lacking else ""))
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


def once(sorting: Sorting, frames: list[RawFrame], hashes: dict[Path, str]) -> list[RawFrame]:
    """Frames without copies."""
    kept, aside, notes = without_copies(frames, hashes, sorting.names, sorting.source)
    sorting.drop(aside)
    sorting.notes += [*notes, *_blank_notes(kept, sorting.names)]
    return kept


def with_mosaic(sorting: Sorting, lights: list[RawFrame]) -> list[RawFrame]:
    """Lights that have the mosaic of most of them, as far as their pixels and headers can tell."""

    def look(frame: RawFrame) -> Phase | SetAside:
        try:
            return evidence(sorting.source(frame), frame.saturation_adu)
        except FrameError as error:
            return SetAside(frame.path, "read", error.reason)

    found: dict[Path, Phase] = {}
    for frame, phase in zip(lights, in_order(look, lights, sorting.threads), strict=True):
        if isinstance(phase, SetAside):
            sorting.drop([phase])
        else:
            found[frame.path] = phase
        sorting.progress.step()
    lights = [frame for frame in lights if frame.path in found]
    aside, notes = apart(lights, found, sorting.recipe.read.mosaic)
    sorting.drop(aside)
    sorting.notes += [f"{sorting.names[path]}: {note}." for path, note in notes.items()]
    out = {item.path for item in aside}
    return [frame for frame in lights if frame.path not in out]


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


def cheap_keys(frames: Sequence[RawFrame]) -> dict[Path, str]:
    """What may tell files apart without reading all of them: their hash where date is none and size is equal.

    Files with a date are told apart by it, and by their samples (`once`).
    """
    sizes = {frame.path: frame.path.stat().st_size for frame in frames if not frame.time}
    alike = Counter(sizes.values())
    return {
        frame.path: file_hash(frame.path) if alike[sizes.get(frame.path, -1)] > 1 else str(frame.path)
        for frame in frames
    }
