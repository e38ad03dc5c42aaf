"""Integration step of a run: the frame table, the noise check, the drops, then tile by tile."""

from __future__ import annotations

import functools
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeAlias
from uuid import uuid4

import numpy as np
import numpy.typing as npt

from fourlight.core import cfa
from fourlight.engine import nothing
from fourlight.frames import MeasuredFrame, RawFrame, RegisteredFrame
from fourlight.pipeline import cache
from fourlight.pipeline.additions import Addition, added_to, known_sky, way_on, why_not
from fourlight.pipeline.job import Job
from fourlight.pipeline.kept import Kept, begin_sums
from fourlight.pipeline.layers import StackLayers, integrate_tiles
from fourlight.recipe import Integrate
from fourlight.stages import geometry, integrate, noise_check
from fourlight.stages.calibrated import CalibratedSource
from fourlight.stages.calibration import Calibration
from fourlight.stages.frame_facts import FEWEST_FRAMES
from fourlight.stages.grid import Grid
from fourlight.stages.stack_layers import LAYERS, OUTPUT_PLANES, Method, TileResult
from fourlight.stages.table import Sampling, frame_table
from fourlight.stages.tile_sums import TileSums, sums_file
from fourlight.stages.way import Way, choose_way

__all__ = ["Integrated", "Samples", "TileWork", "integrated", "sampling_of"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

RESULT_BYTES = 4 * (len(LAYERS) * len(OUTPUT_PLANES) + 1)
"""Of the result of a tile, per pixel, and of all of them on the disk while tiles come in."""
WAITING = 2
"""Results for each thread that may wait for their turn to be written, or one that is packed and unpacked."""


@dataclass(frozen=True, slots=True)
class Integrated:
    """The finished stack and what it was made with."""

    layers: StackLayers
    table: geometry.FrameTable
    way: Way
    tiles: tuple[geometry.Tile, ...]
    """Its cut."""


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
    whole : FrameTable or None
        All frames of the stack, where those of ``table`` are added to kept sums.
    earlier, keep : Path or None
        Folders of kept sums, and for the sums of all.
    """

    def __init__(
        self, frames: list[RawFrame], calibration: Calibration, table: geometry.FrameTable,
        settings: Integrate, way: Way, told: Callable[[], None] = nothing, whole: geometry.FrameTable | None = None,
        earlier: Path | None = None, keep: Path | None = None,
    ) -> None:  # fmt: skip
        self.frames, self.calibration, self.table = frames, calibration, table
        self.settings, self.way, self.told, self.whole = settings, way, told, whole
        self.earlier, self.keep = earlier, keep
        self._token = uuid4().hex
        self._open: _Open | None = _opened(self)

    def __getstate__(self) -> dict[str, object]:
        return self.__dict__ | {"told": nothing, "_open": None}

    def __call__(self, tile: geometry.Tile) -> TileResult:
        """All layers of one tile."""
        samples, method = self._open or self._opened_here()
        return integrate.integrate_tile(
            tile, self.table, samples.read, self.settings, method, self.told,
            TileSums.load(sums_file(self.earlier, tile)) if self.earlier else None,
            sums_file(self.keep, tile) if self.keep else None,
        )  # fmt: skip

    def _opened_here(self) -> _Open:
        """Frames and method, opened once for all tiles that this process is sent."""
        with _OPENING:
            if self._token not in _OPEN:
                _OPEN.clear()
                _OPEN[self._token] = _opened(self)
            return _OPEN[self._token]


@dataclass(frozen=True, slots=True)
class Samples:
    """Calibrated samples of all frames, and their flat response."""

    sources: list[CalibratedSource]

    def read(self, f: int, y0: int, y1: int, x0: int, x1: int) -> tuple[Float32, Float32]:
        return self.sources[f].read(y0, y1, x0, x1), self.sources[f].response(y0, y1, x0, x1)


_Open: TypeAlias = tuple[Samples, Method]
_OPEN: dict[str, _Open] = {}
"""What this process has opened for the run that sent it work last: another run of the same lights has other masters."""
_OPENING = threading.Lock()


def _opened(work: TileWork) -> _Open:
    sources = [work.calibration.open(frame) for frame in work.frames]
    return Samples(sources), work.way.of(work.table, work.told, work.whole)


def integrated(
    job: Job, frames: list[RegisteredFrame], reference: MeasuredFrame, calibration: Calibration,
    kept: Kept | None = None,
) -> Integrated:  # fmt: skip
    """Integrate registered lights; finished tiles of a stopped run are used again.

    Where ``kept`` sums of earlier lights hold, only the others are read, and added to them.
    """
    settings = job.recipe.integrate
    raw = [frame.measured.raw for frame in frames]
    samples = Samples([calibration.open(frame) for frame in raw])
    sampling = [
        sampling_of(calibration, frame.measured, source)
        for frame, source in zip(frames, samples.sources, strict=True)
    ]
    tabled = functools.partial(
        frame_table, frames, reference, settings.sky_order, sampling=sampling,
        grid=Grid.named(settings.grid), stars=settings.weights == "point",
    )  # fmt: skip
    table, added, way = _added(job, kept, tabled, raw, reference)
    new = added.new if added else list(range(len(raw)))
    table = _with_noise(job, table, new, samples, sampling, frames)
    job.notes += _trail_note(table)
    way = way or choose_way(table, settings)
    job.remarks += [way.to_know] if way.to_know else []
    part, lights = table.rows(new), [raw[row] for row in new]
    keep = job.folder.new_sums if job.recipe.run.keep_sums else None
    work = TileWork(
        lights, calibration, part, settings, way, job.progress.step, table if added else None,
        job.folder.sums if added else None, keep,
    )  # fmt: skip
    tiles, pixel_bytes = _cut(part, way)
    tiles = list(added.kept.tiles) if added else tiles
    if added or keep:  # takes memory, but must not change the cut
        pixel_bytes += way.kept_bytes(table)
    layers = _layers(job, work, tiles, pixel_bytes, _key(job, way, lights, part, calibration, added))
    share = layers.rejected.sum() / max(int(layers.used.sum()), 1)
    many = (
        f"{len(new)} light{'s' * (len(new) != 1)} added to {len(raw) - len(new)}"
        if added
        else f"{len(frames)} lights integrated"
    )
    job.progress.end(f"{many}, {way.words}, {share:.2%} of samples rejected")
    return Integrated(layers, table, way, tuple(tiles))


def _added(
    job: Job, kept: Kept | None, tabled: Callable[..., geometry.FrameTable], raw: list[RawFrame],
    reference: MeasuredFrame,
) -> tuple[geometry.FrameTable, Addition | None, Way | None]:  # fmt: skip
    """The frame table, what comes on top of kept sums, and the way to make the stack of it.

    None and None where all lights are integrated.
    """
    sky = known_sky(kept, raw, reference)
    table = tabled(sky=sky)
    if kept is None:
        return table, None, None
    found = added_to(kept, table, raw)
    if isinstance(found, Addition):
        way = choose_way(table, job.recipe.integrate)
        why = why_not(kept, way, table)
        if not why:
            return found.table, found, way_on(kept, way)
        found = why
    job.remarks.append(f"{found}: all {len(raw)} lights are integrated, not the new ones alone.")
    # the sky differences of the sums go with them
    return tabled() if sky else table, None, None


def _key(
    job: Job, way: Way, lights: list[RawFrame], table: geometry.FrameTable, calibration: Calibration,
    added: Addition | None,
) -> str:  # fmt: skip
    """Hash of all that shapes the layers."""
    return cache.digest(
        job.base_key, job.recipe.integrate.model_dump(), way.method, way.pixfrac, way.fine,
        [str(frame.path) for frame in lights],
        *(part.tolist() for part in (table.bend, table.sky, table.dark, table.floor, table.merit, table.shared)),
        *(part.tolist() for part in table.trails),
        [calibration.facts(frame) for frame in lights],
        [str(path) for path in added.kept.lights] if added else [],
    )  # fmt: skip


def _layers(
    job: Job, work: TileWork, tiles: list[geometry.Tile], pixel_bytes: float, key: str
) -> StackLayers:
    """All tiles, made by the crew of the run."""
    steps = work.way.steps(len(work.table.matrix)) + 1
    largest = geometry.padded_pixels(tiles)
    crew = job.crew(pixel_bytes * largest, WAITING * RESULT_BYTES * largest)
    job.progress.begin("integrate", steps * len(tiles))
    if work.keep is not None:
        begin_sums(work.keep, key, None if work.earlier else job.folder.sums)
    return integrate_tiles(
        job.sent(work, work.frames, crew), tiles, work.table.shape, job.folder.layers, key, crew, job.progress, steps,
        lambda tile: work.keep is None or sums_file(work.keep, tile).exists(),
    )  # fmt: skip


def _trail_note(table: geometry.FrameTable) -> list[str]:
    counts = [len(trails) for trails in table.trails if len(trails)]
    if not counts:
        return []
    lights = f"{len(counts)} light{'s' * (len(counts) != 1)}"
    trails = f"{sum(counts)} straight trail{'s' * (sum(counts) != 1)}"
    return [f"{trails} across {lights} taken out whole, also where no single sample stands out."]


def _cut(table: geometry.FrameTable, way: Way) -> tuple[list[geometry.Tile], float]:
    """Tiles, and the memory that one takes per pixel of it with its halo, results that wait to be written counted."""
    each = way.pixel_bytes(table) + WAITING * RESULT_BYTES
    return geometry.tiles(table.shape, each), each


def _with_noise(
    job: Job, table: geometry.FrameTable, new: list[int], samples: Samples, sampling: list[Sampling],
    frames: list[RegisteredFrame],
) -> geometry.FrameTable:  # fmt: skip
    """The table with the noise of its new frames checked on the residuals between them."""
    if not new:
        return table
    part, sources = table.rows(new), Samples([samples.sources[row] for row in new])
    factor = np.ones((len(new), 4))
    response = np.array([sampling[row].response for row in new])
    if len(new) >= FEWEST_FRAMES:
        job.progress.begin("noise", 1)
        factor, notes = noise_check.believed(noise_check.noise_factors(part, sources.read))
        job.notes += notes
        job.progress.step()
        job.progress.end(_noise_words(factor))
    part = noise_check.with_noise(part, factor, response, np.array([frames[row].measured.sky for row in new]))
    changed = {name: getattr(table, name).copy() for name in ("dark", "floor", "weight")}
    for name, values in changed.items():
        values[new] = getattr(part, name)
    return replace(table, **changed)


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


def sampling_of(calibration: Calibration, light: MeasuredFrame, source: CalibratedSource) -> Sampling:
    """How the samples of a light were taken."""
    frame = light.raw
    cell = cfa.plane_map(calibration.pattern_of(frame))
    response = np.empty(4)
    response[cell] = source.median_response()
    noise = calibration.noise_of(frame)
    return Sampling(
        cell,
        noise.unit == "electron",
        calibration.sample_variance_extra(frame, light.sky),
        response,
        calibration.saturation_level(frame),
        calibration.masters_of(frame),
        noise.step,
    )
