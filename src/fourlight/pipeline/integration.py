"""Integration step of a run: the frame table, the noise check, the drops, then tile by tile."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core import cfa
from fourlight.frames import MeasuredFrame, RegisteredFrame
from fourlight.pipeline import cache
from fourlight.pipeline.job import Job
from fourlight.pipeline.layers import StackLayers, integrate_tiles
from fourlight.stages import calibrate, geometry, integrate, noise_check
from fourlight.stages.calibrated import CalibratedSource
from fourlight.stages.grid import Grid
from fourlight.stages.stack_layers import Method, TileResult
from fourlight.stages.way import Way, choose_way

__all__ = ["Integrated", "integrated"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Integrated:
    """The finished stack and what it was made with."""

    layers: StackLayers
    table: geometry.FrameTable
    way: Way


@dataclass(frozen=True, slots=True)
class _Samples:
    """Calibrated samples of all frames, and their flat response."""

    sources: list[CalibratedSource]

    def read(self, f: int, y0: int, y1: int, x0: int, x1: int) -> tuple[Float32, Float32]:
        return self.sources[f].read(y0, y1, x0, x1), self.sources[f].response(y0, y1, x0, x1)


def integrated(
    job: Job,
    frames: list[RegisteredFrame],
    reference: MeasuredFrame,
    calibration: calibrate.Calibration,
    pattern: str,
) -> Integrated:
    """Integrate registered lights; finished tiles of a stopped run are used again."""
    settings = job.recipe.integrate
    cell = cfa.plane_map(pattern)
    samples = _Samples([calibration.open(f.measured.raw) for f in frames])
    shapes = [(f.measured.raw.ny, f.measured.raw.nx) for f in frames]
    table = _table(job, frames, reference, calibration, samples, cell, shapes)
    job.notes += _trail_note(table)
    way = choose_way(table, shapes, cell, settings)
    job.remarks += [way.blurs] if way.blurs else []
    method = way.of(table, job.progress.step)
    steps = integrate.STEPS + way.steps + 1
    tiles, threads = _cut(job, table, method)

    def work(tile: geometry.Tile) -> TileResult:
        return integrate.integrate_tile(
            tile, table, shapes, cell, samples.read, settings, method, job.progress.step
        )

    key = cache.digest(
        job.base_key, settings.model_dump(), pattern, way.method, way.pixfrac,
        [str(f.measured.raw.path) for f in frames],
        *(part.tolist() for part in (table.bend, table.sky, table.dark, table.floor, table.merit, *table.trails)),
        calibration.description,
    )  # fmt: skip
    job.progress.begin("integrate", steps * len(tiles))
    layers = integrate_tiles(work, tiles, table.shape, job.folder.layers, key, threads, job.progress, steps)
    share = layers.rejected.sum() / max(int(layers.used.sum()), 1)
    job.progress.end(f"{len(frames)} lights integrated, {way.words}, {share:.2%} of samples rejected")
    return Integrated(layers, table, way)


def _trail_note(table: geometry.FrameTable) -> list[str]:
    counts = [len(trails) for trails in table.trails if len(trails)]
    if not counts:
        return []
    lights = f"{len(counts)} light{'s' * (len(counts) != 1)}"
    trails = f"{sum(counts)} straight trail{'s' * (sum(counts) != 1)}"
    return [f"{trails} across {lights} taken out whole, also where no single sample stands out."]


def _cut(job: Job, table: geometry.FrameTable, method: Method) -> tuple[list[geometry.Tile], int]:
    """Tiles, and how many may be worked on at once within the memory of the recipe."""
    memory, frames = job.recipe.run.memory_gb * 1e9, len(table.matrix)
    if method.CUT_BYTES is None:
        return geometry.tiles(table.shape, frames, job.threads, memory, method.FIXED_BYTES)
    share = min(method.CUT_BYTES, memory)
    tiles, _ = geometry.tiles(table.shape, frames, 1, share, method.FIXED_BYTES)
    return tiles, int(np.clip(memory // share, 1, job.threads))


def _table(
    job: Job, frames: list[RegisteredFrame], reference: MeasuredFrame, calibration: calibrate.Calibration,
    samples: _Samples, cell: npt.NDArray[np.int64], shapes: list[tuple[int, int]],
) -> geometry.FrameTable:  # fmt: skip
    """Frame table whose noise has been checked on the residuals between frames."""
    common = np.mean([calibration.sample_variance_extra(f.measured.raw) for f in frames], axis=0)
    response = np.array([_by_plane(source.median_response(), cell) for source in samples.sources])
    table = geometry.frame_table(
        frames, reference, job.recipe.integrate.sky_order, electrons=calibration.noise.unit == "electron",
        common=common, response=response, grid=Grid.named(job.recipe.integrate.grid),
        stars=job.recipe.integrate.weights == "point",
    )  # fmt: skip
    factor = np.ones((len(frames), 4))
    if len(frames) >= noise_check.FEWEST_FRAMES:
        job.progress.begin("noise", 1)
        factor = noise_check.noise_factors(table, shapes, cell, samples.read)
        job.progress.step()
        job.progress.end(_noise_words(factor))
    return noise_check.with_noise(table, factor, response, np.array([f.measured.sky for f in frames]))


def _noise_words(factor: Float64) -> str:
    """How the noise between lights compares with that inside of each; of those for which it could be told.

    >>> _noise_words(np.array([[0.81, 1.0], [1.0, 1.21]])), _noise_words(np.array([[0.998, 1.0], [1.002, 1.0]]))
    ('noise between lights is 0.90 to 1.10 times that seen inside each', 'noise between lights is 1.00 times that seen \
inside each')
    >>> _noise_words(np.ones((3, 4)))
    'too few clear samples to compare the noise of the lights'
    """
    told = np.sqrt(factor[factor != 1.0])
    if not told.size:
        return "too few clear samples to compare the noise of the lights"
    ends = dict.fromkeys(f"{value:.2f}" for value in (told.min(), told.max()))
    return f"noise between lights is {' to '.join(ends)} times that seen inside each"


def _by_plane(values: npt.NDArray[np.float64], cell: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    """(2, 2) values of the mosaic cell as (4,) values of the planes."""
    out = np.empty(4)
    out[cell] = values
    return out
