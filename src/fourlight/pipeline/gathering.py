"""First steps of a run: which frames there are, which belong together, and which can be read to their end."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path

from fourlight.core.phase import CLEAR_SIGMA, Phase
from fourlight.engine import in_order
from fourlight.errors import FrameError, OutputError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.io.scan import Scan
from fourlight.pipeline.job import Sorting
from fourlight.pipeline.names import short_names
from fourlight.provenance import file_hash
from fourlight.stages.groups import counted
from fourlight.stages.masters import OpenSource
from fourlight.stages.mosaic import evidence
from fourlight.stages.select import choose_lights, drop_copies

__all__ = ["RAW_ROLES", "cheap_keys", "checked", "chosen", "once", "with_mosaic"]

NO_MOSAIC = (
    "no mosaic shows in its stars and sky: a monochrome, binned or developed frame among raw colour frames; "
    "leave it out, or set read.mosaic"
)
ROWS = 32
"""Rows of samples that tell two exposures apart: noise never repeats."""
RAW_ROLES = (Role.DARK, Role.FLAT, Role.BIAS, Role.DARKFLAT)


def chosen(sorting: Sorting, found: Scan) -> tuple[list[RawFrame], list[RawFrame]]:
    """Lights that make one stack, in time order, and all calibration frames."""
    sorting.names = short_names([f.path for f in found.frames] + [f.path for f in found.set_aside])
    sorting.roles = {frame.path: frame.role for frame in found.frames}
    sorting.drop(found.set_aside)
    unusable = sorting.reasons(found.set_aside)
    sorting.notes += found.notes
    read, tolerance_c = sorting.recipe.read, sorting.recipe.calibrate.temperature_tolerance_c
    lights, aside, notes = choose_lights(found.frames, read.filter, read.mosaic, tolerance_c, unusable)
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


def checked(sorting: Sorting, frames: Sequence[RawFrame]) -> dict[Path, str]:
    """Hash of every file that can be read to its end; the others are set aside."""
    sorting.progress.begin("check", len(frames))
    out: dict[Path, str] = {}

    def work(frame: RawFrame) -> str | SetAside:
        try:
            sorting.source(frame)  # packed files are unpacked here, which finds damage further in
            return file_hash(frame.path)
        except FrameError as error:
            return SetAside(frame.path, "read", error.reason)
        except OutputError:  # there is no room to unpack it: not the frame's fault
            raise
        except OSError as error:
            return SetAside(frame.path, "read", f"cannot be read: {error.strerror}")

    for frame, result in zip(frames, in_order(work, frames, sorting.threads), strict=True):
        if isinstance(result, SetAside):
            sorting.drop([result])
        else:
            out[frame.path] = result
        sorting.progress.step()
    sorting.progress.end(f"{len(out)} files checked")
    return out


def once(sorting: Sorting, frames: list[RawFrame], hashes: dict[Path, str]) -> list[RawFrame]:
    """Frames that could be read to their end, copies left out."""
    frames = [frame for frame in frames if frame.path in hashes]
    kept, aside = drop_copies(frames, _contents(frames, sorting.source, hashes), sorting.names)
    sorting.drop(aside)
    return kept


def _contents(frames: Sequence[RawFrame], source: OpenSource, hashes: Mapping[Path, str]) -> dict[Path, str]:
    """What tells frames apart: the file, or the samples where headers say that two were taken at the same time.

    One exposure may lie there packed and unpacked, or with a changed header.
    """
    moment = Counter((frame.role, frame.time, frame.exposure_s) for frame in frames if frame.time)
    out = dict(hashes)
    for frame in frames:
        if frame.time and moment[frame.role, frame.time, frame.exposure_s] > 1:
            with suppress(FrameError):  # whoever needs all of its samples says what is wrong with it
                rows = source(frame).read(frame.ny // 2, min(frame.ny // 2 + ROWS, frame.ny), 0, frame.nx)
                out[frame.path] = hashlib.sha256(rows.tobytes()).hexdigest()
    return out


def with_mosaic(sorting: Sorting, lights: list[RawFrame]) -> list[RawFrame]:
    """Lights without those in which clearly no mosaic shows, where it shows in others.

    Where it shows in none, all are kept: `fourlight.stages.mosaic.decide` has the word then. A recipe that states
    the pattern is believed.
    """
    if sorting.recipe.read.mosaic != "auto":
        return lights

    found: dict[Path, Phase] = {}
    look = partial(_look, source=sorting.source)
    for frame, phase in zip(lights, in_order(look, lights, sorting.threads), strict=True):
        if isinstance(phase, SetAside):
            sorting.drop([phase])
        else:
            found[frame.path] = phase
        sorting.progress.step()
    aside = _plain(found)
    sorting.drop(aside)
    out = {item.path for item in aside}
    return [frame for frame in lights if frame.path in found and frame.path not in out]


def _look(frame: RawFrame, source: OpenSource) -> Phase | SetAside:
    try:
        return evidence(source(frame), frame.saturation_adu)
    except FrameError as error:
        return SetAside(frame.path, "read", error.reason)


def _plain(found: Mapping[Path, Phase]) -> list[SetAside]:
    """Lights in which clearly no mosaic shows, where it shows in others."""
    if all(phase.diagonal is None for phase in found.values()):
        return []
    plain = [path for path, phase in found.items() if phase.mono and abs(phase.sigma) < CLEAR_SIGMA]
    return [SetAside(path, "select", NO_MOSAIC) for path in plain]


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
