"""Adding lights to the stack of an earlier run: what it left is found again, and left again for the next."""

from __future__ import annotations

import functools
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from fourlight.errors import InputError
from fourlight.frames import MeasuredFrame, RawFrame, RegisteredFrame, Role
from fourlight.io.pixels import open_pixels
from fourlight.io.scan import Scan, scan
from fourlight.pipeline.integration import Integrated
from fourlight.pipeline.job import Job
from fourlight.pipeline.kept import Kept, replace_sums, settings_key
from fourlight.pipeline.kinds import Kind
from fourlight.pipeline.known import Known
from fourlight.provenance import Provenance, file_hash
from fourlight.stages.calibration import Calibration

__all__ = ["keep", "need_earlier", "recall", "with_past"]


def with_past(found: Scan, past: Provenance) -> Scan:
    """New frames together with those of an earlier run.

    Raises
    ------
    InputError
        No light is new, or a file of the earlier run is gone.
    """
    told = {item.path for item in past.not_read}
    new = [frame for frame in found.frames if frame.path not in past.inputs and frame.path not in told]
    if not any(frame.role is Role.LIGHT for frame in new):
        raise InputError("no light is new among the frames named; name the folder of the night to be added")
    before = scan(past.searched, past.recipe.read, set(past.inputs))
    gone = sorted(
        set(past.inputs) - {frame.path for frame in before.frames} - {i.path for i in before.set_aside}
    )
    if gone:
        raise InputError(
            f"{gone[0]}: is gone since the earlier run; put it back, or run all that is left anew"
        )
    frames = tuple(sorted((*before.frames, *new), key=lambda frame: frame.path))
    aside = tuple(item for item in found.set_aside if item.path not in told | set(past.inputs))
    return Scan(
        frames,
        (*before.set_aside, *past.not_read, *aside),
        tuple(dict.fromkeys((*before.notes, *found.notes))),
    )


def recall(job: Job, past: Provenance) -> Kept | None:
    """What the earlier run kept, its files taken as known; None where its lights must be integrated again.

    Raises
    ------
    InputError
        A file of the earlier run has changed.
    """
    kept = Kept.load(
        job.folder.sums, job.folder.masters, functools.partial(open_pixels, decoded=job.folder.decoded)
    )
    for path, sha256 in past.inputs.items():
        known = kept.files.get(path) if kept else None
        if not (known and known.is_still(path)) and file_hash(path) != sha256:
            raise InputError(f"{path}: has changed since the earlier run; run all frames anew")
    if kept is None:
        job.remarks.append(
            "no sums of the earlier lights were kept (run.keep_sums=true keeps them): all lights are integrated, not "
            "the new ones alone."
        )
        return None
    if kept.key != settings_key(job.recipe):
        job.remarks.append("the sums that were kept are of other settings: all lights are integrated again.")
        return None
    job.known = {path: known for path, known in kept.files.items() if known.is_still(path)}
    return kept


def need_earlier(kept: Kept, lights: Sequence[RawFrame]) -> None:
    """Refuse new lights that would make a stack of their own.

    Raises
    ------
    InputError
        Earlier lights are not among those chosen.
    """
    there = {frame.path for frame in lights}
    if not there.issuperset(kept.lights):
        raise InputError(
            "the new lights differ from the earlier ones (filter or binning) and are more: they make a stack of their "
            "own; run them into another folder"
        )


def keep(
    job: Job, frames: Sequence[RegisteredFrame], raw: Sequence[RawFrame], reference: MeasuredFrame,
    parts: Sequence[Kind], calibration: Calibration, stack: Integrated, hashes: Mapping[Path, str],
) -> None:  # fmt: skip
    """Leave the sums of the stack for lights that may be added, where the recipe asks for it; else none."""
    folder = job.folder
    if not job.recipe.run.keep_sums:
        for place in (folder.sums, folder.new_sums):
            shutil.rmtree(place, ignore_errors=True)
        return
    lights = [frame.measured.raw for frame in frames]
    # as they are now: with their blank rows and what was said of them
    files = {frame.path: frame for frame in [*raw, *lights]}
    Kept(
        settings_key(job.recipe),
        tuple(frame.path for frame in lights),
        {path: Known.of(frame, hashes[path]) for path, frame in files.items() if path in hashes},
        reference.raw.path,
        tuple((part.name, tuple(frame.path for frame in part.lights), part.mosaic) for part in parts),
        calibration,
        stack.way,
        stack.tiles,
        replace(stack.table, trails=()),
    ).save(folder.new_sums)
    replace_sums(folder.new_sums, folder.sums)
