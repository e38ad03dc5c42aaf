"""The main job: from folders of raw frames to a stack, a picture and a report."""

from __future__ import annotations

import os
import shutil
from collections.abc import Collection, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from fourlight.engine import Crew, Progress, Silent, give_back, thread_count
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.io.scan import Scan, scan
from fourlight.pipeline import cache, products
from fourlight.pipeline.adding import (
    keep,
    known_reference,
    need_earlier,
    need_new,
    recall,
    still_held,
    with_past,
)
from fourlight.pipeline.chosen_lights import left_out, with_paths
from fourlight.pipeline.claim import claimed
from fourlight.pipeline.cluster import connected
from fourlight.pipeline.evidence import evidence_of
from fourlight.pipeline.findings import findings_of
from fourlight.pipeline.finished import Finished
from fourlight.pipeline.folder import check_apart
from fourlight.pipeline.gathering import checked, chosen, once, settled
from fourlight.pipeline.integration import integrated
from fourlight.pipeline.job import Job
from fourlight.pipeline.kept import Kept
from fourlight.pipeline.kinds import Kind, parted
from fourlight.pipeline.layers import StackLayers
from fourlight.pipeline.lights import calibrated, measured, placed
from fourlight.pipeline.line_run import lines_in_run, with_places
from fourlight.pipeline.memory import check_memory, piece_bytes, pixels_of
from fourlight.pipeline.names import find_light
from fourlight.pipeline.on_sky import asked, on_sky
from fourlight.pipeline.picture import check_crop
from fourlight.pipeline.profile import profile_hash, with_profile_path
from fourlight.pipeline.space import begun, check_space
from fourlight.pipeline.spared import spared
from fourlight.pipeline.summary import summarise
from fourlight.pipeline.unchanged import unchanged
from fourlight.provenance import Provenance, Step, file_state, record
from fourlight.recipe import Recipe
from fourlight.stages import noise_check
from fourlight.stages.profile_use import check_profile

__all__ = ["run"]


def run(
    searched: Sequence[Path], out: Path, recipe: Recipe, progress: Progress | None = None,
    only: Collection[Path] | None = None, left_out: Sequence[SetAside] = (), crew: Crew | None = None,
    past: Provenance | None = None, remarks: Sequence[str] = (),
) -> dict[str, Any]:  # fmt: skip
    """Do the whole main job and return the summary that is also written to OUT.

    Parameters
    ----------
    searched : sequence of Path
        Files and folders of raw frames; only ever read.
    out : Path
        Folder for results; everything below it is Fourlight's own.
    recipe : Recipe
    progress : Progress or None
    only : collection of Path or None
        Use no other files than these absolute paths.
    left_out : sequence of SetAside
        Files that an earlier run set aside, which are told again and not looked at.
    crew : Crew or None
        Who measures and integrates, such as ``Crew(4, ProcessPoolExecutor(4))``; None: who the recipe names.
    past : Provenance or None
        Of the run that left OUT, to whose lights those found in ``searched`` are added.
    remarks : sequence of str
        Sentences that a user must know of these frames, for the report.

    Raises
    ------
    InputError, OutputError
        What was named cannot make a run.
    StageError
        Fewer than two usable lights remain.
    """
    progress = progress or Silent()
    searched = [Path(os.path.abspath(path)) for path in searched]
    recipe = with_places(recipe)
    check_apart(out, searched)
    recipe = with_profile_path(recipe)
    asked(recipe.sky, recipe.gear)
    progress.begin("read", 1)
    found = scan(searched, recipe.read, only)
    if past is not None:
        found, searched = with_past(found, past), [*past.searched, *searched]
    found = replace(found, set_aside=(*found.set_aside, *_untold(left_out, found)))
    check_apart(out, [*(f.path for f in found.frames), *(f.path for f in found.set_aside)])
    address = recipe.run.cluster if crew is None else ""
    with connected(address) if address else nullcontext(crew) as workers, claimed(out) as folder:
        job = Job(recipe, progress, thread_count(recipe.run.threads), folder=folder, workers=workers)
        job.remarks += remarks
        kept = recall(job, past) if past is not None else None
        summary = _done(job, found, searched, past, kept)
        progress.end(f"picture and report in {out}")
        if not recipe.run.keep_work:
            shutil.rmtree(folder.layers, ignore_errors=True)
            shutil.rmtree(folder.decoded, ignore_errors=True)
    return summary


def _untold(left_out: Sequence[SetAside], found: Scan) -> list[SetAside]:
    told = {frame.path for frame in found.frames} | {item.path for item in found.set_aside}
    return [item for item in left_out if item.path not in told]


def _done(
    job: Job, found: Scan, searched: Sequence[Path], past: Provenance | None, kept: Kept | None
) -> dict[str, Any]:
    """All steps of the job on the frames that were found; the summary."""
    lights, others = chosen(job, found)
    check_profile(job.recipe.read, lights)
    profile_hash(job.recipe, past)  # refuses one that has changed
    if past is not None:
        need_earlier(past, found, lights)
        need_new(job, past, lights)
    if job.folder.left_by:
        job.progress.begin("output", 1)
        job.progress.end(f"going on where {job.folder.left_by} ended without a word")
    check_memory(job.recipe, lights)
    check_crop(job.recipe, lights)
    check_space(job, lights, others)
    # Who is missing, or has too little memory, is told now.
    job.crew(piece_bytes(max(map(pixels_of, lights))))
    with begun():
        return _made(job, lights, others, searched, past, kept)


@dataclass(frozen=True, slots=True)
class _Ready:
    """Frames that belong together, before anything is measured on them."""

    parts: list[Kind]
    left: list[RawFrame]
    """Lights that the recipe leaves out."""
    others: list[RawFrame]
    hashes: dict[Path, str]
    kept: Kept | None
    """Of the run that lights are added to."""
    steps: Sequence[Step]
    """Earlier runs that the stack holds lights of."""
    named: Path | None
    """The reference that the recipe names."""

    @property
    def lights(self) -> list[RawFrame]:
        """Of all kinds."""
        return [frame for part in self.parts for frame in part.lights]


def _ready(
    job: Job, lights: list[RawFrame], others: list[RawFrame], past: Provenance | None, kept: Kept | None
) -> _Ready:
    """What of the frames is whole, is no copy, and has a mosaic."""
    sound, hashes = checked(job, [*lights, *others])
    lights = [frame for frame in sound if frame.role is Role.LIGHT]
    others = once(job, [frame for frame in sound if frame.role is not Role.LIGHT], hashes)
    read, lights = len(lights), settled(job, lights, hashes)
    job.recipe = with_paths(job, job.recipe, lights)
    lights, left = left_out(job, lights)
    job.need_two(len(lights))
    need_new(job, past, lights)
    kept = still_held(job, kept, lights)
    earlier, steps = (kept.parts(lights), past.with_itself) if kept and past else ([], ())
    parts = parted(job, lights, others, earlier)
    lights = [frame for part in parts for frame in part.lights]
    less = f"; {read - len(lights)} of {read} lights set aside" if len(lights) < read else ""
    name = job.recipe.registration.reference if kept is None else ""
    named = find_light(name, lights, job.set_aside, job.called) if name else None
    job.progress.end(_mosaics(parts) + less)
    return _Ready(parts, left, others, hashes, kept, steps, named)


def _made(
    job: Job, lights: list[RawFrame], others: list[RawFrame], searched: Sequence[Path], past: Provenance | None,
    kept: Kept | None,
) -> dict[str, Any]:  # fmt: skip
    """The results from frames that belong together; the summary."""
    ready = _ready(job, lights, others, past, kept)
    parts, kept, hashes = ready.parts, ready.kept, ready.hashes
    with unchanged(job):
        calibration = calibrated(job, parts, kept.calibration if kept else None)
        frames = measured(job, ready.lights, calibration, hashes, ready.left)
        reference, lights_placed = placed(job, frames, known_reference(kept, frames) if kept else ready.named)
        need_new(job, past, [frame.measured.raw for frame in lights_placed])
        stack = integrated(job, lights_placed, reference, calibration, kept)
    summary = summarise(findings_of(job, lights_placed, ready.others, reference, stack, calibration, parts))
    chosen_way = {"method": stack.way.method, "pixfrac": stack.way.pixfrac, "noise": summary["noise"]}
    aside = [_to_record(job, item) for item in job.set_aside]
    provenance = record(
        hashes, searched, _anywhere(job.recipe), chosen_way, noise_check.SEED, aside, ready.steps,
        profile_hash(job.recipe, past),
    )  # fmt: skip
    finished = Finished(
        job, tuple(lights_placed), reference, calibration, stack.table, stack.layers,
        replace(stack.way, fine=stack.way.fineness(stack.table)),
    )  # fmt: skip
    _written(finished, stack.layers, summary, provenance)
    known = [*ready.lights, *ready.left, *ready.others]
    keep(job, lights_placed, known, reference, parts, calibration, stack, hashes)
    cache.prune(job.folder.masters, {file for master in calibration.masters for file in master.files})
    return summary


def _written(run: Finished, layers: StackLayers, summary: dict[str, Any], provenance: dict[str, Any]) -> None:
    """Evidence, place on the sky and lines of a finished stack, and all results in OUT."""
    with unchanged(run.job):
        evidence = evidence_of(run)
        summary["to_know"] += evidence.remarks
        seen = on_sky(run.job, layers, summary, run.stars, run.reference.raw)
        lines = spared(summary["to_know"], "the separation of lines", lambda: lines_in_run(run, summary))
    give_back(rings=True)  # what stages before kept, up to 150 MB, would be missing in the picture
    run.job.progress.begin("picture and report", 5)
    products.write_all(
        run.job, layers, summary, provenance, run.stars, evidence.channels, evidence.claims, seen, lines
    )


def _to_record(job: Job, item: SetAside) -> SetAside:
    """A file that is set aside with its role and its state; of those told again, the state in which it was seen."""
    return replace(
        item, role=item.role or job.roles.get(item.path), state=item.state or file_state(item.path)
    )


def _mosaics(parts: Sequence[Kind]) -> str:
    """Mosaic of each kind of lights, in words."""
    said = [
        (part.name, part.mosaic.contradiction or f"{part.mosaic.pattern} ({part.mosaic.source})")
        for part in parts
    ]
    return "; ".join(f"{name}: {words}" if name else words for name, words in said)


def _anywhere(recipe: Recipe) -> Recipe:
    """The recipe without where the work is done, which is another place the next time."""
    return recipe.model_copy(update={"run": recipe.run.model_copy(update={"cluster": ""})})
