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
from fourlight.pipeline.job import Job
from fourlight.pipeline.names import short_names
from fourlight.provenance import file_hash
from fourlight.stages.groups import counted
from fourlight.stages.masters import OpenSource
from fourlight.stages.mosaic import evidence
from fourlight.stages.select import choose_lights, drop_copies

__all__ = ["checked", "chosen", "misfits", "once", "with_mosaic"]

NO_MOSAIC = (
    "no mosaic shows in its stars and sky: a monochrome, binned or developed frame among raw colour frames; "
    "leave it out, or set read.mosaic"
)
ROWS = 32
"""Rows of samples that tell two exposures apart: noise never repeats."""
RAW_ROLES = (Role.DARK, Role.FLAT, Role.BIAS, Role.DARKFLAT)


def chosen(job: Job, found: Scan) -> tuple[list[RawFrame], list[RawFrame]]:
    """Lights that make one stack, in time order, and all calibration frames."""
    job.names = short_names([f.path for f in found.frames] + [f.path for f in found.set_aside])
    job.roles = {frame.path: frame.role for frame in found.frames}
    job.drop(found.set_aside)
    job.notes += found.notes
    read, tolerance_c = job.recipe.read, job.recipe.calibrate.temperature_tolerance_c
    lights, aside, notes = choose_lights(found.frames, read.filter, read.mosaic, tolerance_c)
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


def checked(job: Job, frames: Sequence[RawFrame]) -> dict[Path, str]:
    """Hash of every file that can be read to its end; the others are set aside."""
    job.progress.begin("check", len(frames))
    out: dict[Path, str] = {}

    def work(frame: RawFrame) -> str | SetAside:
        try:
            job.source(frame)  # packed files are unpacked here, which finds damage further in
            return file_hash(frame.path)
        except FrameError as error:
            return SetAside(frame.path, "read", error.reason)
        except OutputError:  # there is no room to unpack it: not the frame's fault
            raise
        except OSError as error:
            return SetAside(frame.path, "read", f"cannot be read: {error.strerror}")

    for frame, result in zip(frames, in_order(work, frames, job.threads), strict=True):
        if isinstance(result, SetAside):
            job.drop([result])
        else:
            out[frame.path] = result
        job.progress.step()
    job.progress.end(f"{len(out)} files checked")
    return out


def once(job: Job, frames: list[RawFrame], hashes: dict[Path, str]) -> list[RawFrame]:
    """Frames that could be read to their end, copies left out."""
    frames = [frame for frame in frames if frame.path in hashes]
    kept, aside = drop_copies(frames, _contents(frames, job.source, hashes), job.names)
    job.drop(aside)
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


def with_mosaic(job: Job, lights: list[RawFrame]) -> list[RawFrame]:
    """Lights without those in which clearly no mosaic shows, where it shows in others.

    Where it shows in none, all are kept: `fourlight.stages.mosaic.decide` has the word then. A recipe that states
    the pattern is believed.
    """
    if job.recipe.read.mosaic != "auto":
        return lights

    found: dict[Path, Phase] = {}
    look = partial(_look, source=job.source)
    for frame, phase in zip(lights, in_order(look, lights, job.threads), strict=True):
        if isinstance(phase, SetAside):
            job.drop([phase])
        else:
            found[frame.path] = phase
        job.progress.step()
    aside = _plain(found)
    job.drop(aside)
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


def misfits(frames: Sequence[RawFrame], source: OpenSource, threads: int) -> list[SetAside]:
    """What a run would set aside for its samples: copies, lights without a mosaic among others, and damaged ones.

    Files are not read to their end, but for files without a date that are equal in size.

    Parameters
    ----------
    frames : sequence of RawFrame
        All frames found, of any role.
    source : callable
        Opens the samples of a frame.
    threads : int
        Lights looked at side by side.
    """
    sizes = {frame.path: frame.path.stat().st_size for frame in frames if not frame.time}
    alike = Counter(sizes.values())
    keys = {
        frame.path: file_hash(frame.path) if alike[sizes.get(frame.path, -1)] > 1 else str(frame.path)
        for frame in frames
    }
    names = short_names(frame.path for frame in frames)
    kept, aside = drop_copies(frames, _contents(frames, source, keys), names)
    kinds: dict[tuple[object, ...], list[RawFrame]] = {}
    for frame in kept:
        if frame.role is Role.LIGHT:
            kinds.setdefault((frame.camera, frame.ny, frame.nx), []).append(frame)
    for lights in kinds.values():
        looked = dict(
            zip(
                (f.path for f in lights),
                in_order(partial(_look, source=source), lights, threads),
                strict=True,
            )
        )
        aside += [seen for seen in looked.values() if isinstance(seen, SetAside)]
        aside += _plain({path: seen for path, seen in looked.items() if isinstance(seen, Phase)})
    return aside
