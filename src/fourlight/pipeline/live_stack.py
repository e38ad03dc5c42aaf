"""The running stack of a night: lights are calibrated, measured, placed and added one by one as they come.

The first few make the ground: gain and defects are told from them, the best of them is the reference, and their median
is what their samples are compared with. With every one of them the stack is made anew; later lights are looked at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import numpy.typing as npt

from fourlight.engine import PROGRAM_BYTES, at_once
from fourlight.errors import FourlightError, FrameError, RecipeError
from fourlight.frames import MeasuredFrame, RawFrame, RegisteredFrame, SetAside
from fourlight.io.pixels import HELD_BYTES, held, open_pixels
from fourlight.pipeline import lights
from fourlight.pipeline.integration import Samples, sampling_of
from fourlight.pipeline.job import Job
from fourlight.pipeline.kinds import parted
from fourlight.pipeline.memory import pixels_of
from fourlight.stages import fringes, judge
from fourlight.stages.calibration import Calibration
from fourlight.stages.geometry import TILE_BYTES, FrameTable
from fourlight.stages.grid import Grid
from fourlight.stages.live_sums import LiveSums, live_bytes
from fourlight.stages.mosaic import MosaicDecision
from fourlight.stages.register import choose_reference, register
from fourlight.stages.select import kind_of, kind_words
from fourlight.stages.table import Sampling, frame_table
from fourlight.stages.transparency import steadied

__all__ = ["FIRST", "PIXFRAC", "Ground", "LiveStack", "Taken", "unlike"]

Float64 = npt.NDArray[np.float64]

FIRST = 5
"""Lights of the ground: of fewer a median does not leave out what a single one shows."""
STRAYS = 3
"""Lights against which a first one is held that no other matches."""
GONE = "its file is gone, and the first subs are looked at together"
PIXFRAC = 2.0
"""Side of a drop: with two pixels, every light covers red and blue without holes, the first one too."""


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of a light."""

    frame: RegisteredFrame | None
    """None: it is set aside."""
    density: Float64
    """(4,) weight on a pixel of the stack."""
    aside: tuple[SetAside, ...] = ()
    """It, or earlier ones that the others now show to be unfit."""


@dataclass(frozen=True, slots=True)
class Ground:
    """What the first lights tell, for all that follow."""

    calibration: Calibration
    mosaic: MosaicDecision
    reference: MeasuredFrame
    frames: tuple[RegisteredFrame, ...]
    sampling: tuple[Sampling, ...]
    sky: Float64
    """(f, 4, n) their sky differences."""
    density: Float64
    """(f, 4) their weight on a pixel of the stack."""


@dataclass(slots=True)
class LiveStack:
    """The stack, and what is needed to add to it."""

    job: Job
    others: list[RawFrame]
    """Calibration frames."""
    first: list[RawFrame] = field(default_factory=list)
    strays: list[RawFrame] = field(default_factory=list)
    """Lights that do not match the first one, as long as it is alone."""
    ground: Ground | None = None
    """None before the first light that could be measured."""
    sums: LiveSums | None = None
    count: int = 0
    """Lights that went into the sums, which take turns in the halves."""

    @property
    def begun(self) -> bool:
        """Whether the ground is complete."""
        return self.ground is not None and len(self.ground.frames) >= FIRST

    @property
    def grid(self) -> Grid:
        """Of the stack."""
        return Grid.named(self.job.recipe.integrate.grid)

    def take(self, raw: RawFrame) -> Taken:
        """Add a light whose samples are whole."""
        like = self.ground.frames[0].measured.raw if self.ground else None
        words = unlike(raw, like) if like else ""
        if words:
            return _aside(SetAside(raw.path, "select", words))
        return self._add(raw) if self.begun else self._begin(raw)

    def _begin(self, raw: RawFrame) -> Taken:
        """Make ground and stack anew with one light more."""
        known = len(self.job.set_aside)
        gone = [frame for frame in (*self.first, *self.strays) if not frame.path.exists()]
        self.first, self.strays = (
            [frame for frame in part if frame not in gone] for part in (self.first, self.strays)
        )
        self.job.set_aside += [SetAside(frame.path, "read", GONE) for frame in gone]
        refused = self.tried([*self.first, raw])
        if refused and self.first and self.strays and not self.tried([*self.strays, raw]):
            refused = ""  # the first one was the odd one
            lone = [
                SetAside(f.path, "register", "the lights after it do not match it") for f in self.first[:1]
            ]
            self.job.set_aside += lone
        if refused:
            own = [item for item in self.job.set_aside[known:] if item.path == raw.path]
            del self.job.set_aside[known + len(gone) :]
            self.strays = [*self.strays, raw][-STRAYS:] if len(self.first) == 1 else []
            self.job.drop([own[0] if own else SetAside(raw.path, "measure", refused)])
            return Taken(None, np.zeros(4), tuple(self.job.set_aside[known:]))
        out = tuple(self.job.set_aside[known:])
        lost = {item.path for item in out}
        self.first = [frame for frame in self.first if frame.path not in lost]
        assert self.ground is not None
        paths = [frame.measured.raw.path for frame in self.ground.frames]
        if raw.path not in paths:
            return Taken(None, np.zeros(4), out)
        row = paths.index(raw.path)
        return Taken(self.ground.frames[row], self.ground.density[row], out)

    def tried(self, first: list[RawFrame]) -> str:
        """Make ground and stack of some lights; why that cannot be, or empty. Wrong settings end the watch."""
        before = self.first
        if before and len(first) < 2:
            return "alone"
        self.first = first
        try:
            self._laid()
        except RecipeError:
            raise
        except FourlightError as error:
            self.first = before
            return str(error)
        self.strays = []
        return ""

    def _laid(self) -> None:
        """Ground and sums of the first lights."""
        job = self.job
        part = parted(job, self.first, self.others)[0]
        calibration = self._calibration(part.lights)
        frames = lights.measured(
            job, part.lights, calibration, {f.path: job.hash(f.path) for f in part.lights}
        )
        reference, placed = self.placed(frames)
        sources = Samples([calibration.open(frame.measured.raw) for frame in placed])
        sampling = tuple(
            sampling_of(calibration, frame.measured, source)
            for frame, source in zip(placed, sources.sources, strict=True)
        )
        table = self.table(placed, reference, sampling)
        self.room(reference)
        assert self.sums is not None
        self.sums.clear()
        self.sums.add(table, sources.read, job.recipe.integrate, self.threads, together=True)
        self.count = len(placed)
        self.ground = Ground(
            calibration, part.mosaic, reference, tuple(placed), sampling, table.sky, table.density
        )

    def _calibration(self, first: list[RawFrame]) -> Calibration:
        """Gain, masters and defects: from the first light, and once more where the ground is complete."""
        job, old = self.job, self.ground.calibration if self.ground else None
        if old is None or len(first) >= FIRST:
            job.progress.begin("calibrate", len(first) + len(self.others))
            made = lights.prepared(job, parted(job, first, self.others)[0])
            job.drop([item for item in made.set_aside if item not in job.set_aside])
            job.progress.end(lights.gain_words("", made.noise))
            return replace(made, open_source=partial(open_pixels, decoded=None))
        for frame in first:
            if not old.knows(frame) and self.ground is not None:
                old = old.with_light(frame, self.ground.reference.raw)
        return old

    def placed(self, frames: list[MeasuredFrame]) -> tuple[MeasuredFrame, list[RegisteredFrame]]:
        """The reference, and lights placed on its grid."""
        if len(frames) == 1:
            reference = choose_reference(frames, "")
            alone = register(reference, reference, self.job.recipe.registration)
            assert isinstance(alone, RegisteredFrame)
            return reference, [alone]
        return lights.placed(self.job, frames, None)

    def _add(self, raw: RawFrame) -> Taken:
        """Add a light to the stack of those before it; it is read once, or not at all."""
        ground, job = self.ground, self.job
        assert ground is not None
        assert self.sums is not None
        try:
            samples = held(raw)
        except FrameError as error:
            return _aside(SetAside(raw.path, "read", error.reason))
        calibration = ground.calibration.with_light(raw, ground.frames[0].measured.raw)
        calibration = replace(calibration, open_source=lambda _: samples)
        found = self._judged(lights.Measuring(calibration, job.recipe.measure)(raw), ground)
        if isinstance(found, SetAside):
            return _aside(found)
        source = Samples([calibration.open(raw)])
        sampling = (*ground.sampling, sampling_of(calibration, found.measured, source.sources[0]))
        known = dict(enumerate(ground.sky))
        table = self.table([*ground.frames, found], ground.reference, sampling, known).rows([len(known)])
        table = replace(table, half=np.array([self.count % 2]))
        self.sums.add(table, source.read, job.recipe.integrate, self.threads, together=False)
        self.count += 1
        return Taken(found, table.density[0])

    def _judged(self, found: MeasuredFrame | SetAside, ground: Ground) -> RegisteredFrame | SetAside:
        """A light on the grid of the reference, judged beside those of the ground."""
        if isinstance(found, SetAside):
            return found
        recipe = self.job.recipe
        shapes, aside = judge.judge_shapes([*(f.measured for f in ground.frames), found])
        if any(item.path == found.raw.path for item in aside):
            return aside[-1]
        placed = register(shapes[-1], ground.reference, recipe.registration, ground.reference.raw.path.name)
        if isinstance(placed, SetAside):
            return placed
        if placed.exchanged:
            return SetAside(
                found.raw.path, "register", "red stars are blue in it, against the lights before it"
            )
        kept, aside = judge.judge_light([*ground.frames, placed], recipe.integrate)
        if any(item.path == found.raw.path for item in aside):
            return aside[-1]
        every = steadied([*ground.frames, kept[-1]], ground.reference)
        if recipe.registration.align_planes:
            every = fringes.aligned([*ground.frames, every[-1]])
        return every[-1]

    def table(
        self, frames: Sequence[RegisteredFrame], reference: MeasuredFrame, sampling: Sequence[Sampling],
        sky: dict[int, Float64] | None = None,
    ) -> FrameTable:  # fmt: skip
        """What integration needs of lights; ``sky`` are differences that are known."""
        settings = self.job.recipe.integrate
        return frame_table(
            frames, reference, settings.sky_order, sampling=sampling, grid=self.grid,
            stars=settings.weights == "point", sky=sky,
        )  # fmt: skip

    def room(self, reference: MeasuredFrame) -> None:
        """Memory for the sums, taken once; refused where the recipe allows less."""
        shape, recipe = self.grid.shape(reference), self.job.recipe
        if self.sums is not None and self.sums.shape == shape:
            return
        needed = (
            PROGRAM_BYTES
            + live_bytes(shape)
            + max(TILE_BYTES, lights.MEASURE_BYTES * pixels_of(reference.raw))
            + HELD_BYTES * pixels_of(reference.raw)
        )
        if needed > recipe.run.memory_gb * 1e9:
            size = f"a running stack of {shape[1]} x {shape[0]} px needs at least {np.ceil(needed / 1e8) / 10:.1f}"
            raise RecipeError("run.memory_gb", recipe.run.memory_gb, size, "setting")
        self.sums = LiveSums(shape, self.grid.zoom, recipe.integrate.pixfrac or PIXFRAC)

    @property
    def threads(self) -> int:
        """Tiles that are worked on at once."""
        return at_once(TILE_BYTES, self.job.recipe.run.memory_gb * 1e9, self.job.threads)


def _aside(item: SetAside) -> Taken:
    return Taken(None, np.zeros(4), (item,))


def unlike(raw: RawFrame, like: RawFrame) -> str:
    """Why a light does not go with those before it; empty where it does."""
    words = kind_words(kind_of(raw), kind_of(like))
    if not words and raw.exposure_s != like.exposure_s:
        words = f"exposure {_seconds(raw.exposure_s)} instead of {_seconds(like.exposure_s)}"
    return (
        f"{words}: watch such lights into a folder of their own; fourlight run stacks both" if words else ""
    )


def _seconds(value: float | None) -> str:
    return "(not said)" if value is None else f"{value:g} s"
