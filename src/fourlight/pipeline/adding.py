"""Adding lights to the stack of an earlier run: what it left is found again, and left again for the next."""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from fourlight.errors import InputError
from fourlight.frames import MeasuredFrame, RawFrame, RegisteredFrame, Role, SetAside
from fourlight.io import nights
from fourlight.io.pixels import open_pixels
from fourlight.io.scan import MARKER, Scan, scan
from fourlight.pipeline.claim import claimed
from fourlight.pipeline.folder import OutputFolder
from fourlight.pipeline.integration import Integrated
from fourlight.pipeline.job import Job
from fourlight.pipeline.kept import (
    Kept,
    are_kept,
    begin_facts,
    finish_sums,
    inputs_key,
    replace_sums,
    settings_key,
)
from fourlight.pipeline.kinds import Kind
from fourlight.pipeline.known import Known
from fourlight.pipeline.swap import RECORD
from fourlight.provenance import Provenance, file_hash, file_state, load
from fourlight.stages.calibration import Calibration

__all__ = [
    "earlier_run",
    "keep",
    "known_reference",
    "need_earlier",
    "need_new",
    "recall",
    "still_held",
    "what_is_kept",
    "with_past",
]


def earlier_run(out: Path) -> Provenance:
    """The record of the run that left OUT; results that a killed run was about to replace are brought back first.

    Parameters
    ----------
    out : Path
        Folder of its results.

    Raises
    ------
    InputError, OutputError
        There is none, or another run is at work in OUT.
    """
    if (out / MARKER).exists() and not (out / RECORD).exists():
        with claimed(out):  # which brings them back
            pass
    if not (out / RECORD).exists():
        raise InputError(f"{out}: holds no finished stack; make one first: fourlight run NIGHTS --out {out}")
    return load(out / RECORD)


def with_past(found: Scan, past: Provenance) -> Scan:
    """New frames together with those of an earlier run, all nights by one noon.

    A file that was set aside and is found again is looked at anew where it has changed.

    Raises
    ------
    InputError
        No light is new, or a file of the earlier run is gone.
    """
    still = _still_told(past.not_read, found)
    told = {item.path for item in still}
    new = [frame for frame in found.frames if frame.path not in past.inputs and frame.path not in told]
    aside = tuple(item for item in found.set_aside if item.path not in told | set(past.inputs))
    if not any(frame.role is Role.LIGHT for frame in new):
        raise InputError(_nothing_new(found, past, aside))
    before = scan(past.searched, past.recipe.read, set(past.inputs))
    gone = sorted(
        set(past.inputs) - {frame.path for frame in before.frames} - {i.path for i in before.set_aside}
    )
    if gone:
        raise InputError(
            f"{gone[0]}: is gone since the earlier run; put it back, or run all that is left anew"
        )
    frames, noon_notes = nights.assign(
        sorted((*before.frames, *new), key=lambda frame: frame.path), past.recipe.read.longitude_deg
    )
    return Scan(frames, (*before.set_aside, *still, *aside), found.odd_folders, noon_notes)


def _nothing_new(found: Scan, past: Provenance, aside: Sequence[SetAside]) -> str:
    """Why frames that were named bring no new light: another night may lie in the place of one that was read."""
    before = [frame.path for frame in found.frames if frame.role is Role.LIGHT and frame.path in past.inputs]
    if any(file_hash(path) != past.inputs[path] for path in before[:1]):
        return (
            f"{before[0]}: has changed since the earlier run; keep every night in files of its own, or run all frames "
            "anew"
        )
    why = [f" ({item.path.name}: {item.reason})" for item in aside if item.role in (None, Role.LIGHT)]
    return (
        f"no light is new among the frames named{''.join(why[:1])}; name the folder of the night to be added"
    )


def _still_told(not_read: Sequence[SetAside], found: Scan) -> list[SetAside]:
    """Files that were set aside before they were read, as far as what was said of them still holds.

    It does where they are not among those found, or have not changed; of a folder that could not be read, until
    frames are found in it.
    """
    again = {frame.path for frame in found.frames} | {item.path for item in found.set_aside}
    opened = {folder for frame in found.frames for folder in frame.path.parents}
    return [
        item
        for item in not_read
        if item.path not in opened
        and (item.path not in again or (item.state is not None and item.state == file_state(item.path)))
    ]


def what_is_kept(folder: OutputFolder) -> Kept | None:
    """What the run that left OUT kept of its lights; None where it cannot be read."""
    finish_sums(folder.new_sums, folder.sums)
    return Kept.load(folder.sums, folder.masters, functools.partial(open_pixels, decoded=folder.decoded))


def recall(job: Job, past: Provenance) -> Kept | None:
    """What the earlier run kept, its files taken as known; None where its lights must be integrated again.

    Raises
    ------
    InputError
        A file of the earlier run has changed.
    """
    kept = what_is_kept(job.folder)
    why = _why_not(job, kept, past)
    for path, sha256 in past.inputs.items():
        known = kept.files.get(path) if kept else None
        sure = known is not None and known.sha256 == sha256 and known.is_still(path)
        if not sure and file_hash(path) != sha256:
            raise InputError(f"{path}: has changed since the earlier run; run all frames anew")
    if kept is None or why:
        job.remarks.append(f"{why}: all lights are integrated, not the new ones alone.")
        return None
    job.known = {path: known for path, known in kept.files.items() if known.is_still(path)}
    return kept


def _why_not(job: Job, kept: Kept | None, past: Provenance) -> str:
    """Why what an earlier run kept cannot be added to; empty where it can."""
    if kept is None and are_kept(job.folder.sums):
        return "the sums of the earlier lights cannot be read"
    if kept is None or not kept.summed:
        return "no sums of the earlier lights were kept (run.keep_sums=true keeps them)"
    # A run that was ended after its results came into their places, and before its sums did.
    if kept.inputs != inputs_key(past.inputs):
        return "the sums that were kept are of other lights"
    return "" if kept.key == settings_key(job.recipe) else "the sums that were kept are of other settings"


def still_held(job: Job, kept: Kept | None, lights: Sequence[RawFrame]) -> Kept | None:
    """What the earlier run kept, where any of its lights is among those of this run."""
    if kept is None or kept.parts(lights):
        return kept
    job.remarks.append(
        f"all lights in the sums that were kept are set aside now: the other {len(lights)} are integrated."
    )
    return None


def need_earlier(past: Provenance, found: Scan, lights: Sequence[RawFrame]) -> None:
    """Refuse new lights that would make a stack of their own.

    ``lights`` are those chosen of the frames ``found``, in which those of the earlier run are.

    Raises
    ------
    InputError
        Earlier lights are not among those chosen.
    """
    free = {frame.path for frame in lights} | {item.path for item in past.set_aside}
    before = [frame.path for frame in found.frames if frame.role is Role.LIGHT and frame.path in past.inputs]
    if not free.issuperset(before):
        raise InputError(
            "the new lights are more than the earlier ones and do not go with them (another filter or binning, or "
            "another kind with read.mix_kinds=false): run them into another folder"
        )


def need_new(job: Job, past: Provenance | None, lights: Iterable[RawFrame]) -> None:
    """Refuse lights to be added of which none is left: the stack would be made again from what it already holds.

    ``lights`` are those that may still be integrated; without an earlier run they need not be new.

    Raises
    ------
    InputError
        With the reasons for which the new ones were set aside.
    """
    if past is None or any(frame.path not in past.inputs for frame in lights):
        return
    told = past.inputs.keys() | {item.path for item in past.set_aside}
    why = job.reasons(job.lights_among([item for item in job.set_aside if item.path not in told]))
    raise InputError(f"no new light can be added{f' ({why})' if why else ''}; the stack stays as it was")


def known_reference(kept: Kept, frames: Sequence[MeasuredFrame]) -> Path | None:
    """The reference of the sums; None where it is set aside now, and another one must be found."""
    return kept.reference if any(frame.raw.path == kept.reference for frame in frames) else None


def keep(
    job: Job, frames: Sequence[RegisteredFrame], raw: Sequence[RawFrame], reference: MeasuredFrame,
    parts: Sequence[Kind], calibration: Calibration, stack: Integrated, hashes: Mapping[Path, str],
) -> None:  # fmt: skip
    """Leave what is known of the lights of the stack, and its sums where the recipe asks for them."""
    folder, summed = job.folder, job.recipe.run.keep_sums
    if not summed:
        begin_facts(folder.new_sums)
    lights = [frame.measured.raw for frame in frames]
    # as they are now: with their blank rows and what was said of them
    files = {frame.path: frame for frame in [*raw, *lights]}
    Kept(
        settings_key(job.recipe),
        inputs_key(hashes),
        tuple(frame.path for frame in lights),
        {
            path: Known.of(frame, hashes[path], state)
            for path, frame in files.items()
            if path in hashes and (state := job.states.get(path)) is not None
        },
        reference.raw.path,
        tuple((part.name, tuple(frame.path for frame in part.lights), part.mosaic) for part in parts),
        calibration,
        replace(stack.way, fine=stack.way.fineness(stack.table)),
        stack.tiles,
        replace(stack.table, trails=()),
        summed,
    ).save(folder.new_sums)
    replace_sums(folder.new_sums, folder.sums)
