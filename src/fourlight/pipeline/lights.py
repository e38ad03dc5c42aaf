"""Middle steps of a run: lights are calibrated, measured and placed on one grid."""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fourlight.core import bends
from fourlight.core.cfa import ODD
from fourlight.engine import as_done, at_once, in_order
from fourlight.errors import FrameError
from fourlight.frames import MeasuredFrame, NoiseModel, RawFrame, RegisteredFrame, SetAside
from fourlight.io.pixels import open_pixels
from fourlight.pipeline import cache
from fourlight.pipeline.chosen_lights import judged, used_anyway
from fourlight.pipeline.job import Job
from fourlight.pipeline.kinds import Kind
from fourlight.pipeline.off_memory import OffMemory
from fourlight.recipe import Measure
from fourlight.report.words import counted
from fourlight.stages import calibrate, fringes, judge
from fourlight.stages.banding import PIECE_BYTES
from fourlight.stages.calibration import Calibration, joined
from fourlight.stages.measure import measure
from fourlight.stages.register import choose_reference, finer_reference, register
from fourlight.stages.select import kind_of
from fourlight.stages.star_colours import unlike_most
from fourlight.stages.transparency import steadied

__all__ = [
    "MEASURE_BYTES",
    "Measuring",
    "calibrated",
    "each_measured",
    "gain_words",
    "measured",
    "placed",
    "prepared",
]

MEASURE_BYTES = 10
"""Per pixel of a light while it is measured."""


def calibrated(job: Job, parts: Sequence[Kind], earlier: Calibration | None = None) -> Calibration:
    """Masters, noise model and defects for the lights of the run, kind by kind; ``earlier`` has those of some."""
    new = [part for part in parts if earlier is None or not earlier.knows(part.lights[0])]
    job.progress.begin("calibrate", sum(len(part.lights) + len(part.others) for part in new))
    made = [(part.name, prepared(job, part)) for part in new]
    calibration = joined([*([("", earlier)] if earlier else []), *made])
    job.drop(calibration.set_aside)
    job.remarks += calibration.remarks
    taken = "calibrated" if any(part.others for part in new) else "no calibration frames"
    job.progress.end("; ".join([taken, *(gain_words(name, part.noise) for name, part in made)]))
    return calibration


def prepared(job: Job, part: Kind) -> Calibration:
    """Masters, noise model and defects for one kind of lights."""
    last = 0

    def told(done: int, _total: int) -> None:
        nonlocal last
        job.progress.step(done - last)
        last = done

    return calibrate.prepare(
        part.lights,
        part.others,
        functools.partial(open_pixels, decoded=job.folder.decoded),
        part.mosaic.pattern,
        job.recipe.calibrate,
        job.recipe.read,
        job.folder.masters,
        told,
        at_once(PIECE_BYTES, job.recipe.run.memory_gb * 1e9, job.threads),
    )


def gain_words(kind: str, noise: NoiseModel) -> str:
    """The gain of a kind of lights, and where it comes from."""
    gain = "gain unknown"
    if noise.gain_e_per_adu:
        error = f" +- {noise.gain_error:.3f}" if noise.gain_error else ""
        gain = f"{noise.gain_e_per_adu:.3f}{error} e/ADU ({noise.gain_source})"
    return f"{kind}: {gain}" if kind else gain


def measured(
    job: Job,
    lights: list[RawFrame],
    calibration: Calibration,
    hashes: dict[Path, str],
    left: Sequence[RawFrame] = (),
) -> list[MeasuredFrame]:
    """What was measured of each light that can be used; lights measured in an earlier run are not measured again.

    Those that were ``left`` out are measured for the record, where lights like them are used.
    """
    noted, calibration = _beside(calibration, lights, left)
    every = [*lights, *noted]
    results = each_measured(job, every, calibration, hashes)
    cache.prune(job.folder.measured, set(_places(job, every, calibration, hashes).values()))
    job.measured = {item.raw.path: item for item in results if isinstance(item, MeasuredFrame)}
    anyway = used_anyway(job.recipe)
    frames, verdicts = judge.judge_shapes(_usable(job, results[: len(lights)]), anyway)
    judged(job, verdicts, anyway)
    job.remarks += judge.poor_nights(frames)
    stars = int(np.median([len(frame.stars) for frame in frames])) if frames else 0
    many = counted(len(frames), "light")
    job.progress.end(f"{many} measured, {counted(stars, 'star')} in a typical one")
    return frames


def _beside(
    calibration: Calibration, lights: Sequence[RawFrame], left: Sequence[RawFrame]
) -> tuple[list[RawFrame], Calibration]:
    """Lights left out of whose kind others are used, and the calibration with them."""
    like = {kind_of(frame): frame for frame in lights}
    noted = [frame for frame in left if kind_of(frame) in like]
    for frame in noted:
        calibration = calibration.with_light(frame, like[kind_of(frame)])
    return noted, calibration


def each_measured(
    job: Job, lights: list[RawFrame], calibration: Calibration, hashes: Mapping[Path, str]
) -> list[MeasuredFrame | SetAside]:
    """What was measured of each light, from this run or an earlier one, or why it cannot be used."""
    job.progress.begin("measure", len(lights))
    places = _places(job, lights, calibration, hashes)
    found: dict[Path, MeasuredFrame | SetAside] = {}
    off_memory = OffMemory(job.folder.measured)
    for frame in lights:
        known = cache.load(places[frame.path], frame)
        if known is not None:
            found[frame.path] = off_memory(known)
            job.progress.step()
    missing = [frame for frame in lights if frame.path not in found]
    crew = job.crew(MEASURE_BYTES * max(frame.ny * frame.nx for frame in lights))
    work = job.sent(Measuring(calibration, job.recipe.measure), lights, crew)
    for result in as_done(work, missing, crew):
        if isinstance(result, MeasuredFrame) and job.is_still(result.raw.path):
            cache.save(places[result.raw.path], result)
        if isinstance(result, MeasuredFrame):
            found[result.raw.path] = off_memory(result)
        else:
            found[result.path] = result
        job.progress.step()
    return [found[frame.path] for frame in lights]


def _places(
    job: Job,
    lights: list[RawFrame],
    calibration: Calibration,
    hashes: Mapping[Path, str],
) -> dict[Path, Path]:
    """Where what is measured of each light is kept: another place where the light or anything before it changes."""
    key = cache.digest(job.base_key, job.recipe.measure.model_dump(), cache.FORMAT)
    return {
        frame.path: job.folder.measured
        / f"{cache.digest(str(frame.path), hashes.get(frame.path), calibration.facts(frame), key)}.npz"
        for frame in lights
    }


@dataclass(frozen=True, slots=True)
class Measuring:
    """Measures any light of a run; other processes and computers can be sent it and open the light themselves."""

    calibration: Calibration
    settings: Measure

    def __call__(self, frame: RawFrame) -> MeasuredFrame | SetAside:
        """What was measured of a light, or why it cannot be used."""
        calibration, noise = self.calibration, self.calibration.noise_of(frame)
        try:
            source, whole = calibration.open(frame), (0, frame.ny, 0, frame.nx)
            return measure(
                frame, source.read(*whole), calibration.pattern_of(frame), electrons=noise.unit == "electron",
                saturation=calibration.saturation_level(frame), settings=self.settings, step=noise.step,
                response=source.response(*whole, ODD),
            )  # fmt: skip
        except FrameError as error:
            return SetAside(frame.path, "measure", error.reason)


def _usable(job: Job, results: Iterable[MeasuredFrame | SetAside]) -> list[MeasuredFrame]:
    """What is no reason to set a light aside."""
    results = list(results)
    job.drop([result for result in results if isinstance(result, SetAside)])
    return [result for result in results if isinstance(result, MeasuredFrame)]


def placed(
    job: Job, frames: list[MeasuredFrame], named: Path | None
) -> tuple[MeasuredFrame, list[RegisteredFrame]]:
    """The reference light (the one named, or the best), and all lights that could be placed on its grid."""
    job.need_two(len(frames))
    reference, found = _on_grid(job, frames, named)
    anyway = used_anyway(job.recipe)
    found, verdicts = judge.judge_light(found, job.recipe.integrate, anyway)
    judged(job, verdicts, anyway)
    job.need_two(len(found))
    found = steadied(found, reference)
    if job.recipe.registration.align_planes:
        found = fringes.aligned(found)
    job.notes += _bend_note(found, (reference.raw.ny, reference.raw.nx))
    job.progress.end(f"{len(found)} lights registered to {job.called[reference.raw.path]}{_exactness(found)}")
    return reference, found


def _exactness(frames: list[RegisteredFrame]) -> str:
    """How far single stars scatter, and what that leaves for the place of a light; both of a typical light."""
    placed = [frame for frame in frames if frame.rms_px > 0]
    if not placed:
        return ""
    star = float(np.median([frame.rms_px for frame in placed]))
    place = float(np.median([frame.place_error_px for frame in placed]))
    return f"; one star scatters by {star:.3f} px, the place of a light is known to {place:.3f} px"


def _on_grid(
    job: Job, frames: list[MeasuredFrame], named: Path | None, best: MeasuredFrame | None = None
) -> tuple[MeasuredFrame, list[RegisteredFrame]]:
    """The reference, and the lights on its grid that have its colours.

    Another one where it alone has others, or where many lights turn out to have finer samples, of which ``best`` is
    the best one.
    """
    job.progress.begin("register", len(frames))
    reference = best or choose_reference(frames, str(named or ""))
    called = job.called[reference.raw.path]
    work = functools.partial(register, reference=reference, settings=job.recipe.registration, called=called)
    results: list[RegisteredFrame | SetAside] = []
    for result in in_order(work, frames, job.threads):
        results.append(result)
        job.progress.step()
    found, unlike = unlike_most([item for item in results if isinstance(item, RegisteredFrame)], reference)
    better = finer_reference(found, reference) if named is None and best is None else None
    if better is not None:
        return _on_grid(job, frames, None, better)
    job.drop(unlike)
    if not found and named is not None:
        job.remarks.append(
            f"registration.reference names {called}, in which red stars are blue, against the "
            "other lights: another light is the reference."
        )
    if not found:
        rest = [frame for frame in frames if frame is not reference]
        job.need_two(len(rest))
        return _on_grid(job, rest, None)
    job.drop([item for item in results if isinstance(item, SetAside)])
    return reference, found


def _bend_note(frames: list[RegisteredFrame], shape: tuple[int, int]) -> list[str]:
    bent = [frame for frame in frames if frame.bend is not None]
    if not bent:
        return []
    most = max(_bend_px(frame, shape) for frame in bent)
    lights = f"{len(bent)} light{'s are' if len(bent) > 1 else ' is'} placed by curved maps"
    return [
        f"{lights}: their optics distort the field against that of the reference, by up to {most:.2f} px."
    ]


def _bend_px(frame: RegisteredFrame, shape: tuple[int, int]) -> float:
    """Largest distance of the curved map from the straight one, over the part that lands in the stack."""
    assert frame.bend is not None
    y, x = np.meshgrid(
        np.linspace(0, frame.measured.raw.ny - 1, 9), np.linspace(0, frame.measured.raw.nx - 1, 9)
    )
    away = frame.bend - bends.straight(frame.matrix)
    tx, ty = bends.apply(bends.straight(frame.matrix), x.ravel(), y.ravel())
    lands = (tx >= 0) & (ty >= 0) & (tx < shape[1]) & (ty < shape[0])
    size = np.hypot(*bends.apply(away, x.ravel(), y.ravel()))
    return float(size[lands].max()) if lands.any() else 0.0
