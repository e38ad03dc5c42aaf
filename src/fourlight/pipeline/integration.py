"""Integration step of a run: the frame table, the noise check, the drops, then tile by tile."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias
from uuid import uuid4

import numpy as np
import numpy.typing as npt

from fourlight.core import cfa
from fourlight.engine import nothing
from fourlight.frames import MeasuredFrame, RawFrame, RegisteredFrame
from fourlight.pipeline import cache
from fourlight.pipeline.job import Job
from fourlight.pipeline.layers import StackLayers, integrate_tiles
from fourlight.recipe import Integrate
from fourlight.stages import geometry, integrate, noise_check
from fourlight.stages.calibrated import CalibratedSource
from fourlight.stages.calibration import Calibration
from fourlight.stages.grid import Grid
from fourlight.stages.stack_layers import LAYERS, OUTPUT_PLANES, Method, TileResult
from fourlight.stages.way import Way, choose_way

__all__ = ["Integrated", "TileWork", "integrated"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

RESULT_BYTES = 4 * (len(LAYERS) * len(OUTPUT_PLANES) + 1)
"""Of the result of a tile, per pixel."""
WAITING = 2
"""Results for each thread that may wait for their turn to be written, or one that is packed and unpacked."""


@dataclass(frozen=True, slots=True)
class Integrated:
    """The finished stack and what it was made with."""

    layers: StackLayers
    table: geometry.FrameTable
    way: Way


class TileWork:
    """Integration of any tile of a run; other processes and computers can be sent it and open the frames themselves.

    Parameters
    ----------
    frames : list of RawFrame
    calibration : Calibration
    table : FrameTable
    settings : Integrate
    way : Way
    told : callable
        Called after each step of a tile, in this process.
    """

    def __init__(
        self, frames: list[RawFrame], calibration: Calibration, table: geometry.FrameTable,
        settings: Integrate, way: Way, told: Callable[[], None] = nothing,
    ) -> None:  # fmt: skip
        self.frames, self.calibration, self.table = frames, calibration, table
        self.settings, self.way, self.told = settings, way, told
        self._token = uuid4().hex
        self._open: _Open | None = _opened(self)

    def __getstate__(self) -> dict[str, object]:
        return self.__dict__ | {"told": nothing, "_open": None}

    def __call__(self, tile: geometry.Tile) -> TileResult:
        """All layers of one tile."""
        samples, method = self._open or self._opened_here()
        return integrate.integrate_tile(tile, self.table, samples.read, self.settings, method, self.told)

    def _opened_here(self) -> _Open:
        """Frames and method, opened once for all tiles that this process is sent."""
        with _OPENING:
            if self._token not in _OPEN:
                _OPEN.clear()
                _OPEN[self._token] = _opened(self)
            return _OPEN[self._token]


@dataclass(frozen=True, slots=True)
class _Samples:
    """Calibrated samples of all frames, and their flat response."""

    sources: list[CalibratedSource]

    def read(self, f: int, y0: int, y1: int, x0: int, x1: int) -> tuple[Float32, Float32]:
        return self.sources[f].read(y0, y1, x0, x1), self.sources[f].response(y0, y1, x0, x1)


_Open: TypeAlias = tuple[_Samples, Method]
_OPEN: dict[str, _Open] = {}
"""What this process has opened for the run that sent it work last: another run of the same lights has other masters."""
_OPENING = threading.Lock()


def _opened(work: TileWork) -> _Open:
    sources = [work.calibration.open(frame) for frame in work.frames]
    return _Samples(sources), work.way.of(work.table, work.told)


def integrated(
    job: Job,
    frames: list[RegisteredFrame],
    reference: MeasuredFrame,
    calibration: Calibration,
) -> Integrated:
    """Integrate registered lights; finished tiles of a stopped run are used again."""
    settings = job.recipe.integrate
    raw = [frame.measured.raw for frame in frames]
    table = _table(job, frames, reference, calibration)
    job.notes += _trail_note(table)
    way = choose_way(table, settings)
    job.remarks += [way.blurs] if way.blurs else []
    key = cache.digest(
        job.base_key, settings.model_dump(), way.method, way.pixfrac,
        [str(frame.path) for frame in raw],
        *(part.tolist() for part in (table.bend, table.sky, table.dark, table.floor, table.merit, *table.trails)),
        [calibration.facts(frame) for frame in raw],
    )  # fmt: skip
    steps = integrate.STEPS + way.steps + 1
    work = TileWork(raw, calibration, table, settings, way, job.progress.step)
    tiles, pixel_bytes = _cut(table, way)
    largest = geometry.padded_pixels(tiles)
    crew = job.crew(pixel_bytes * largest, WAITING * RESULT_BYTES * largest)
    job.progress.begin("integrate", steps * len(tiles))
    layers = integrate_tiles(
        job.sent(work, raw, crew), tiles, table.shape, job.folder.layers, key, crew, job.progress, steps
    )
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


def _cut(table: geometry.FrameTable, way: Way) -> tuple[list[geometry.Tile], float]:
    """Tiles, and the memory that one takes per pixel of it with its halo, results that wait to be written counted."""
    beneath = geometry.samples_beneath(table)
    each = geometry.BYTES_PER_SAMPLE * beneath + way.fixed_bytes(table) + WAITING * RESULT_BYTES
    return geometry.tiles(table.shape, each), each


def _table(
    job: Job, frames: list[RegisteredFrame], reference: MeasuredFrame, calibration: Calibration
) -> geometry.FrameTable:
    """Frame table whose noise has been checked on the residuals between frames."""
    raw = [frame.measured.raw for frame in frames]
    samples = _Samples([calibration.open(frame) for frame in raw])
    sampling = [
        _sampling(calibration, frame, source) for frame, source in zip(raw, samples.sources, strict=True)
    ]
    settings = job.recipe.integrate
    table = geometry.frame_table(
        frames, reference, settings.sky_order, sampling=sampling, grid=Grid.named(settings.grid),
        stars=settings.weights == "point",
    )  # fmt: skip
    factor = np.ones((len(frames), 4))
    if len(frames) >= noise_check.FEWEST_FRAMES:
        job.progress.begin("noise", 1)
        factor = noise_check.noise_factors(table, samples.read)
        job.progress.step()
        job.progress.end(_noise_words(factor))
    response = np.array([taken.response for taken in sampling])
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


def _sampling(calibration: Calibration, frame: RawFrame, source: CalibratedSource) -> geometry.Sampling:
    cell = cfa.plane_map(calibration.pattern_of(frame))
    response = np.empty(4)
    response[cell] = source.median_response()
    electrons = calibration.noise_of(frame).unit == "electron"
    return geometry.Sampling(cell, electrons, calibration.sample_variance_extra(frame), response)
