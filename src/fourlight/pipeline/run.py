"""The main job: from folders of raw frames to a stack, a picture and a report."""

from __future__ import annotations

import os
import shutil
from collections.abc import Collection, Sequence
from contextlib import nullcontext
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core import cfa
from fourlight.engine import Crew, Progress, Silent, thread_count
from fourlight.frames import MeasuredFrame, RawFrame, RegisteredFrame, Role, SetAside, StarList
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
from fourlight.pipeline.claim import claimed
from fourlight.pipeline.cluster import connected
from fourlight.pipeline.evidence import evidence_of
from fourlight.pipeline.finished import Finished
from fourlight.pipeline.folder import check_apart
from fourlight.pipeline.foreseen import with_odd
from fourlight.pipeline.gathering import checked, chosen, once, settled
from fourlight.pipeline.integration import Integrated, integrated
from fourlight.pipeline.job import Job
from fourlight.pipeline.kept import Kept
from fourlight.pipeline.kinds import Kind, parted
from fourlight.pipeline.layers import StackLayers
from fourlight.pipeline.lights import calibrated, measured, placed
from fourlight.pipeline.line_run import lines_in_run, with_places
from fourlight.pipeline.memory import check_memory, piece_bytes, pixels_of
from fourlight.pipeline.names import find_light, odd_ones, to_know
from fourlight.pipeline.on_sky import asked, on_sky
from fourlight.pipeline.profile import profile_hash, with_profile_path
from fourlight.pipeline.space import begun, check_space
from fourlight.pipeline.spared import spared
from fourlight.pipeline.summary import Findings, summarise
from fourlight.provenance import Provenance, file_state, record
from fourlight.recipe import Recipe
from fourlight.stages import noise_check
from fourlight.stages.calibration import Calibration
from fourlight.stages.empty_sky import burnt_pixels, empty_sky, star_masks
from fourlight.stages.grid import Grid
from fourlight.stages.holdings import plane_holdings, with_shares
from fourlight.stages.profile_use import check_profile
from fourlight.stages.select import kind_of, kind_words
from fourlight.stages.stack_layers import OUTPUT_PLANES

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
    check_space(job, lights, others)
    # Who is missing, or has too little memory, is told now.
    job.crew(piece_bytes(max(map(pixels_of, lights))))
    with begun():
        return _made(job, lights, others, searched, past, kept)


def _made(
    job: Job, lights: list[RawFrame], others: list[RawFrame], searched: Sequence[Path], past: Provenance | None,
    kept: Kept | None,
) -> dict[str, Any]:  # fmt: skip
    """The results from frames that belong together; the summary."""
    recipe = job.recipe
    sound, hashes = checked(job, [*lights, *others])
    lights = [frame for frame in sound if frame.role is Role.LIGHT]
    others = once(job, [frame for frame in sound if frame.role is not Role.LIGHT], hashes)
    read, lights = len(lights), settled(job, lights, hashes)
    need_new(job, past, lights)
    kept = still_held(job, kept, lights)
    earlier, steps = (kept.parts(lights), past.with_itself) if kept and past else ([], ())
    parts = parted(job, lights, others, earlier)
    lights = [frame for part in parts for frame in part.lights]
    less = f"; {read - len(lights)} of {read} lights set aside" if len(lights) < read else ""
    name = recipe.registration.reference if kept is None else ""
    named = find_light(name, lights, job.set_aside, job.called) if name else None
    job.progress.end(_mosaics(parts) + less)
    calibration = calibrated(job, parts, kept.calibration if kept else None)
    frames = measured(job, lights, calibration, hashes)
    reference, lights_placed = placed(job, frames, known_reference(kept, frames) if kept else named)
    need_new(job, past, [frame.measured.raw for frame in lights_placed])
    stack = integrated(job, lights_placed, reference, calibration, kept)
    findings = _findings(job, lights_placed, others, reference, stack, calibration, parts)
    summary = summarise(findings)
    provenance = record(
        hashes,
        searched,
        _anywhere(recipe),
        {"method": stack.way.method, "pixfrac": stack.way.pixfrac, "noise": summary["noise"]},
        noise_check.SEED,
        [_to_record(job, item) for item in job.set_aside],
        steps,
        profile_hash(recipe, past),
    )
    finished = Finished(
        job, tuple(lights_placed), reference, calibration, stack.table, stack.layers,
        replace(stack.way, fine=stack.way.fineness(stack.table)),
    )  # fmt: skip
    evidence = evidence_of(finished)
    summary["to_know"] += evidence.remarks
    seen = on_sky(job, stack.layers, summary, finished.stars, reference.raw)
    lines = spared(summary["to_know"], "the separation of lines", lambda: lines_in_run(finished, summary))
    job.progress.begin("picture and report", 5)
    products.write_all(
        job,
        stack.layers,
        summary,
        provenance,
        finished.stars,
        evidence.channels,
        evidence.claims,
        seen,
        lines,
    )
    keep(job, lights_placed, [*lights, *others], reference, parts, calibration, stack, hashes)
    cache.prune(job.folder.masters, {file for master in calibration.masters for file in master.files})
    return summary


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


def _kinds(parts: Sequence[Kind], calibration: Calibration) -> list[dict[str, Any]]:
    """What is known of each kind of lights, as plain data."""
    return [
        {
            "kind": part.name or kind_words(*(kind_of(p.lights[0]) for p in parts[:2])) or "first lights",
            "files": [str(frame.path) for frame in part.lights],
            "mosaic": asdict(part.mosaic),
            "noise": asdict(calibration.noise_of(part.lights[0])),
        }
        for part in parts
    ]


def _planes(layers: StackLayers, stars: StarList, full: npt.NDArray[np.float64]) -> dict[str, dict[str, Any]]:
    """What each plane of the stack holds; ``full`` (4,) is the level of full samples on it."""
    values = {plane: layers.read(plane, "value") for plane in OUTPUT_PLANES}
    hidden = star_masks(stars, values["G"].shape).near | burnt_pixels(values, full)
    level = empty_sky(values, hidden).level
    filled = dict(zip(cfa.PLANES, full.tolist(), strict=True)) | {"G": float(full[1:3].min())}

    def held(plane: str) -> dict[str, Any]:
        value, variance, samples = (layers.read(plane, part) for part in ("value", "variance", "samples"))
        return {**plane_holdings(value, variance, samples, stars, level[plane]), "full": filled[plane]}

    return {plane: held(plane) for plane in OUTPUT_PLANES}


def _findings(
    job: Job, frames: list[RegisteredFrame], others: list[RawFrame], reference: MeasuredFrame, stack: Integrated,
    calibration: Calibration, parts: Sequence[Kind],
) -> Findings:  # fmt: skip
    layers, weight, grid = stack.layers, stack.table.density, Grid.named(job.recipe.integrate.grid)
    known = calibration.noise.pedestal_known
    share = layers.rejected / np.maximum(layers.used, 1)
    out = {item.path for item in job.set_aside}
    used = [frame.measured.raw for frame in frames]
    used += [with_odd(frame, calibration.odd) for frame in others if frame.path not in out]
    odd = odd_ones(used, job.names)
    return Findings(
        reference=reference,
        grid=grid,
        frames=frames,
        weight=weight / weight.max(axis=0),
        sky_error=stack.table.sky_error,
        trails=stack.table.trails,
        unit=calibration.noise.unit,
        mosaic=asdict(parts[0].mosaic),
        kinds=_kinds(parts, calibration) if len(parts) > 1 else (),
        noise=calibration.noise,
        calibration={**calibration.summary, "notes": list(calibration.notes)},
        way=stack.way,
        weights_for=job.recipe.integrate.weights,
        rejected_share=dict(zip(cfa.PLANES, share.tolist(), strict=True)),
        noise_correlation={plane: layers.noise_correlation(plane) for plane in OUTPUT_PLANES},
        planes=with_shares(
            _planes(layers, grid.stars(reference.stars), stack.table.full / stack.table.zoom**2),
            stack.table,
            pedestal_known=known,
        ),
        set_aside=job.set_aside,
        names=job.names,
        roles=job.roles,
        measured=job.measured,
        assumptions=job.notes,
        to_know=to_know(job.remarks, odd),
        odd=odd,
    )
