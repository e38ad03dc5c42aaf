"""The main job: from folders of raw frames to a stack, a picture and a report."""

from __future__ import annotations

import functools
import os
import shutil
from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core import cfa
from fourlight.engine import Progress, Silent, in_order, thread_count
from fourlight.errors import FrameError, StageError
from fourlight.frames import MeasuredFrame, RawFrame, RegisteredFrame, Role, SetAside
from fourlight.io.pixels import PixelSource, open_pixels
from fourlight.io.scan import Scan, scan
from fourlight.pipeline import cache, products
from fourlight.pipeline.folder import OutputFolder, check_apart
from fourlight.pipeline.folder import prepare as prepare_folder
from fourlight.pipeline.layers import StackLayers, integrate_tiles
from fourlight.pipeline.summary import Findings, summarise
from fourlight.provenance import file_hash, record
from fourlight.recipe import Recipe
from fourlight.stages import calibrate, geometry, integrate, judge, mosaic, noise_check
from fourlight.stages.dropsize import choose_pixfrac
from fourlight.stages.holdings import plane_holdings, with_shares
from fourlight.stages.measure import measure
from fourlight.stages.register import choose_reference, register
from fourlight.stages.select import choose_lights, drop_copies
from fourlight.stages.transparency import steadied

__all__ = ["run"]

Float32 = npt.NDArray[np.float32]

RAW_ROLES = (Role.DARK, Role.FLAT, Role.BIAS, Role.DARKFLAT)


@dataclass(slots=True)
class _Job:
    """State of one run."""

    folder: OutputFolder
    recipe: Recipe
    progress: Progress
    threads: int
    set_aside: list[SetAside] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    measured: dict[Path, MeasuredFrame] = field(default_factory=dict)

    def source(self, frame: RawFrame) -> PixelSource:
        return open_pixels(frame, self.folder.decoded)

    def drop(self, items: Sequence[SetAside]) -> None:
        self.set_aside += items


def run(
    searched: Sequence[Path], out: Path, recipe: Recipe, progress: Progress | None = None,
    only: Collection[Path] | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Do the whole main job and return the summary that is also written to OUT.

    Parameters
    ----------
    searched : sequence of Path
        Files and folders of raw frames; only ever read.
    out : Path
        Folder for results; everything below it is ours.
    recipe : Recipe
    progress : Progress or None
    only : collection of Path or None
        Use no other files than these absolute paths.

    Raises
    ------
    InputError, OutputError
        What was named cannot make a run.
    StageError
        Fewer than two usable lights remain.
    """
    progress = progress or Silent()
    searched = [Path(os.path.abspath(path)) for path in searched]
    check_apart(out, searched)
    progress.begin("read", 1)
    found = scan(searched, recipe.read, only)
    check_apart(out, [*(f.path for f in found.frames), *(f.path for f in found.set_aside)])
    job = _Job(prepare_folder(out), recipe, progress, thread_count(recipe.run.threads))
    lights, others = _chosen(job, found)
    hashes = _checked(job, [*lights, *others])
    lights, others = (_once(job, part, hashes) for part in (lights, others))
    _enough(job, len(lights))
    decision = mosaic.decide(lights, job.source, recipe.read.mosaic)
    calibration = _calibrated(job, lights, others, decision.pattern)
    frames = _measured(job, lights, calibration, decision.pattern, hashes)
    reference, placed = _placed(job, frames)
    layers, table, pixfrac = _integrated(job, placed, reference, calibration, decision.pattern)
    findings = _findings(job, placed, reference, table, layers, pixfrac, calibration, asdict(decision))
    summary = summarise(findings)
    provenance = record(hashes, searched, recipe, {"pixfrac": pixfrac, "noise": summary["noise"]})
    job.progress.begin("picture and report", 5)
    products.write_all(job.folder, layers, summary, provenance, reference.stars, recipe, job.progress)
    job.progress.end(f"picture and report in {out}")
    if not recipe.run.keep_work:
        shutil.rmtree(job.folder.layers, ignore_errors=True)
        shutil.rmtree(job.folder.decoded, ignore_errors=True)
    return summary


def _chosen(job: _Job, found: Scan) -> tuple[list[RawFrame], list[RawFrame]]:
    job.drop(found.set_aside)
    job.notes += found.notes
    lights, aside, notes = choose_lights(found.frames, job.recipe.read.filter, job.recipe.read.mosaic)
    job.drop(aside)
    job.notes += notes
    others = [frame for frame in found.frames if frame.role in RAW_ROLES]
    job.progress.step()
    counts = ", ".join(
        f"{n} {role.value}" for role in RAW_ROLES if (n := sum(f.role is role for f in others))
    )
    nights = len({frame.night for frame in lights if frame.night})
    when = f" of {nights} night{'s' * (nights != 1)}" if nights else ""
    job.progress.end(f"{len(lights)} lights{when}; {counts or 'no calibration frames'}")
    return lights, others


def _checked(job: _Job, frames: Sequence[RawFrame]) -> dict[Path, str]:
    """Hash of every file that can be read to its end; the others are set aside."""
    job.progress.begin("check", len(frames))
    out: dict[Path, str] = {}

    def work(frame: RawFrame) -> str | SetAside:
        try:
            job.source(frame)  # packed files are unpacked here, which finds damage further in
            return file_hash(frame.path)
        except FrameError as error:
            return SetAside(frame.path, "read", error.reason)
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


def _once(job: _Job, frames: list[RawFrame], hashes: dict[Path, str]) -> list[RawFrame]:
    """Frames that could be read to their end, copies left out."""
    kept, aside = drop_copies([frame for frame in frames if frame.path in hashes], hashes)
    job.drop(aside)
    return kept


def _calibrated(
    job: _Job, lights: list[RawFrame], others: list[RawFrame], pattern: str
) -> calibrate.Calibration:
    job.progress.begin("calibrate", len(lights) + len(others))
    last = 0

    def told(done: int, _total: int) -> None:
        nonlocal last
        job.progress.step(done - last)
        last = done

    calibration = calibrate.prepare(
        lights, others, job.source, pattern, job.recipe.calibrate, job.recipe.read, job.folder.masters, told
    )
    job.drop(calibration.set_aside)
    noise = calibration.noise
    gain = (
        f"{noise.gain_e_per_adu:.3f} e/ADU ({noise.gain_source})" if noise.gain_e_per_adu else "gain unknown"
    )
    job.progress.end(f"calibrated; {gain}")
    return calibration


def _measured(
    job: _Job,
    lights: list[RawFrame],
    calibration: calibrate.Calibration,
    pattern: str,
    hashes: dict[Path, str],
) -> list[MeasuredFrame]:
    job.progress.begin("measure", len(lights))
    key = cache.digest(
        job.recipe.measure.model_dump(), pattern, asdict(calibration.noise), calibration.description,
        sorted(hashes.values()), cache.FORMAT,
    )  # fmt: skip

    def work(frame: RawFrame) -> MeasuredFrame | SetAside:
        path = job.folder.measured / f"{cache.digest(str(frame.path), hashes.get(frame.path), key)}.npz"
        known = cache.load(path, frame)
        if known is not None:
            return known
        try:
            source = calibration.open(frame)
            image = source.read(0, frame.ny, 0, frame.nx)
            found = measure(
                frame, image, pattern, electrons=calibration.noise.unit == "electron",
                saturation=calibration.saturation_level(frame), settings=job.recipe.measure,
            )  # fmt: skip
        except FrameError as error:
            return SetAside(frame.path, "measure", error.reason)
        cache.save(path, found)
        return found

    frames: list[MeasuredFrame] = []
    for result in in_order(work, lights, job.threads):
        if isinstance(result, SetAside):
            job.drop([result])
        else:
            frames.append(result)
        job.progress.step()
    job.measured = {frame.raw.path: frame for frame in frames}
    frames, aside = judge.judge_shape(frames)
    job.drop(aside)
    stars = int(np.median([len(frame.stars) for frame in frames])) if frames else 0
    job.progress.end(f"{len(frames)} lights measured, {stars} stars in a typical one")
    return frames


def _placed(job: _Job, frames: list[MeasuredFrame]) -> tuple[MeasuredFrame, list[RegisteredFrame]]:
    _enough(job, len(frames))
    job.progress.begin("register", len(frames))
    reference = choose_reference(frames, job.recipe.registration.reference)
    placed: list[RegisteredFrame] = []
    work = functools.partial(register, reference=reference, settings=job.recipe.registration)
    for result in in_order(work, frames, job.threads):
        if isinstance(result, SetAside):
            job.drop([result])
        else:
            placed.append(result)
        job.progress.step()
    placed, aside = judge.judge_light(placed, job.recipe.integrate)
    job.drop(aside)
    _enough(job, len(placed))
    placed = steadied(placed, reference)
    rms = float(np.median([frame.rms_px for frame in placed if frame.measured is not reference] or [0.0]))
    job.progress.end(
        f"{len(placed)} lights registered to {reference.raw.path.name}, {rms:.3f} px rms per star"
    )
    return reference, placed


def _enough(job: _Job, count: int) -> None:
    if count >= 2:
        return
    reasons = "; ".join(f"{item.path.name}: {item.reason}" for item in job.set_aside[-3:])
    raise StageError(
        "run", None, f"{count} usable light{'s' * (count != 1)} left", f"2 are needed ({reasons})"
    )


def _integrated(
    job: _Job,
    frames: list[RegisteredFrame],
    reference: MeasuredFrame,
    calibration: calibrate.Calibration,
    pattern: str,
) -> tuple[StackLayers, geometry.FrameTable, float]:
    settings = job.recipe.integrate
    common = np.mean([calibration.sample_variance_extra(f.measured.raw) for f in frames], axis=0)
    sources = [calibration.open(f.measured.raw) for f in frames]
    cell = cfa.plane_map(pattern)
    response = np.array([_by_plane(source.median_response(), cell) for source in sources])
    table = geometry.frame_table(
        frames, reference, settings.sky_order, electrons=calibration.noise.unit == "electron", common=common,
        response=response,
    )  # fmt: skip
    shapes = [(f.measured.raw.ny, f.measured.raw.nx) for f in frames]

    def read(f: int, y0: int, y1: int, x0: int, x1: int) -> tuple[Float32, Float32]:
        return sources[f].read(y0, y1, x0, x1), sources[f].response(y0, y1, x0, x1)

    factor = noise_check.noise_factors(table, shapes, cell, read)
    table = noise_check.with_noise(table, factor, response, np.array([f.measured.sky for f in frames]))
    pixfrac, why = (settings.pixfrac, "") if settings.pixfrac else choose_pixfrac(table, shapes)
    job.notes += [why] if why else []
    overlaps = integrate.Overlaps()
    for matrix in table.matrix:  # before the threads start, so that none is made twice
        overlaps.get(matrix[:, :2], pixfrac)

    def work(tile: geometry.Tile) -> integrate.TileResult:
        return integrate.integrate_tile(tile, table, shapes, cell, read, settings, pixfrac, overlaps)

    tiles = geometry.tiles(table.shape, len(frames), job.threads, job.recipe.run.memory_gb * 1e9)
    key = cache.digest(
        settings.model_dump(), pattern, pixfrac, [str(f.measured.raw.path) for f in frames], len(tiles),
        table.matrix.tolist(), table.sky.tolist(), table.dark.tolist(), table.floor.tolist(),
        calibration.description,
    )  # fmt: skip
    job.progress.begin("integrate", len(tiles))
    layers = integrate_tiles(work, tiles, table.shape, job.folder.layers, key, job.threads, job.progress)
    share = layers.rejected.sum() / max(int(layers.used.sum()), 1)
    job.progress.end(
        f"{len(frames)} lights integrated, drops of {pixfrac:g} px, {share:.2%} of samples rejected"
    )
    return layers, table, pixfrac


def _by_plane(values: npt.NDArray[np.float64], cell: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    """(2, 2) values of the mosaic cell as (4,) values of the planes."""
    out = np.empty(4)
    out[cell] = values
    return out


def _findings(
    job: _Job, frames: list[RegisteredFrame], reference: MeasuredFrame, table: geometry.FrameTable,
    layers: StackLayers, pixfrac: float, calibration: calibrate.Calibration, decision: dict[str, Any],
) -> Findings:  # fmt: skip
    planes = {
        plane: plane_holdings(
            layers.read(plane, "value"),
            layers.read(plane, "variance"),
            layers.read(plane, "samples"),
            reference.stars,
        )
        for plane in integrate.OUTPUT_PLANES
    }
    known = calibration.noise.pedestal_adu is not None
    share = layers.rejected / np.maximum(layers.used, 1)
    return Findings(
        reference=reference,
        frames=frames,
        weight=table.weight / table.weight.max(axis=0),
        unit=calibration.noise.unit,
        mosaic=decision,
        noise=calibration.noise,
        calibration={**calibration.description, "notes": list(calibration.notes)},
        pixfrac=pixfrac,
        method=job.recipe.integrate.method,
        rejected_share=dict(zip(cfa.PLANES, share.tolist(), strict=True)),
        noise_correlation={plane: layers.noise_correlation(plane) for plane in integrate.OUTPUT_PLANES},
        planes=with_shares(planes, pedestal_known=known),
        set_aside=job.set_aside,
        measured=job.measured,
        assumptions=job.notes,
    )
