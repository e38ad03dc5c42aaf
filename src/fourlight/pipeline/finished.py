"""A finished stack with the lights it was made from, so that their samples can be looked at again."""

from __future__ import annotations

import threading
import warnings
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np
import numpy.typing as npt
from astropy.io import fits
from astropy.utils.exceptions import AstropyWarning

from fourlight.core import bends, maps
from fourlight.engine import Progress, Silent, thread_count
from fourlight.errors import InputError
from fourlight.frames import MeasuredFrame, RawFrame, RegisteredFrame, SetAside, StarList
from fourlight.io.export import own_tiff
from fourlight.io.scan import MARKER, scan
from fourlight.io.unreadable import unreadable
from fourlight.json_text import json_of
from fourlight.pipeline.adding import earlier_run, what_is_kept
from fourlight.pipeline.claim import claimed
from fourlight.pipeline.evidence_files import check_evidence
from fourlight.pipeline.integration import Samples
from fourlight.pipeline.job import Job
from fourlight.pipeline.kept import Kept, inputs_key
from fourlight.pipeline.lights import each_measured
from fourlight.provenance import Provenance, file_hash
from fourlight.stages.calibration import Calibration
from fourlight.stages.canvas import Canvas, bands
from fourlight.stages.geometry import FrameTable
from fourlight.stages.grid import Grid
from fourlight.stages.region_samples import StackReader
from fourlight.stages.trails import without_fixtures
from fourlight.stages.way import Way

__all__ = [
    "PICTURE",
    "Finished",
    "StackFiles",
    "anew",
    "check_results",
    "check_there",
    "finished_run",
    "run_that_left",
]

Float32 = npt.NDArray[np.float32]

PICTURE = "picture.tif"
EXTENSION = {"value": "{}", "variance": "VAR_{}", "samples": "SAMPLES_{}"}
"""Names of the layers of a plane in the files."""


class Stack(StackReader, Protocol):
    """The layers of a finished stack, with its rejected samples."""

    def rejected_map(self) -> Float32:
        """Number of rejected samples of all planes on each pixel (ny, nx)."""


@dataclass(frozen=True, slots=True)
class Finished:
    """A stack and its lights, in time order, as the rows of the table."""

    job: Job
    frames: tuple[RegisteredFrame, ...]
    reference: MeasuredFrame
    calibration: Calibration
    table: FrameTable
    layers: Stack
    way: Way
    """How the stack was made."""

    @property
    def samples(self) -> Samples:
        """Calibrated samples of the lights."""
        return Samples([self.calibration.open(frame.measured.raw) for frame in self.frames])

    @property
    def grid(self) -> Grid:
        """Of the stack."""
        return Grid.named(self.job.recipe.integrate.grid)

    @property
    def stars(self) -> StarList:
        """Stars of the reference at their places on the stack."""
        return self.grid.stars(self.reference.stars)

    @property
    def nights(self) -> list[str | None]:
        """Night of each light."""
        return [frame.measured.raw.night for frame in self.frames]


class StackFiles:
    """Layers of a stack in ``stack.fits`` and ``halves.fits``, each turned once into an array that can be mapped.

    Parameters
    ----------
    folder : Path
        Where the files are.
    canvas : Canvas
        Where the arrays are kept.

    Raises
    ------
    InputError
        A file is missing or is not one of a stack.
    """

    def __init__(self, folder: Path, canvas: Canvas) -> None:
        self._canvas, self._lock = canvas, threading.Lock()
        self._stored: dict[str, npt.NDArray[np.generic]] = {}
        self._layers: dict[str, Float32] = {}
        for name in ("stack.fits", "halves.fits"):
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore", AstropyWarning)  # the error below says it
                    with fits.open(folder / name, memmap=True) as units:
                        self._stored |= {unit.name: unit.data for unit in units[1:]}
            except (OSError, ValueError, TypeError) as error:
                raise unreadable(folder / name, error, anew(folder)) from None

    def holds(self, plane: str) -> bool:
        """Whether the files have a plane, with its variance."""
        return {plane, f"VAR_{plane}"} <= self._stored.keys()

    def read(self, plane: str, layer: str) -> Float32:
        """One layer (ny, nx), mapped."""
        kind, _, half = layer.partition("_")
        name = EXTENSION[kind].format(plane) + (f"_{half.upper()}" if half else "")
        return self._native(name)

    def rejected_map(self) -> Float32:
        """Number of rejected samples of all planes on each pixel (ny, nx), mapped."""
        return self._native("REJECTED")

    def _native(self, name: str) -> Float32:
        with self._lock:
            if name not in self._layers:
                stored = self._stored[name]
                self._layers[name] = made = self._canvas.new(stored.shape)
                for rows in bands(stored.shape):
                    made[rows] = stored[rows]
        return self._layers[name]


@contextmanager
def finished_run(
    out: Path, progress: Progress | None = None, made_anew: Collection[str] = ()
) -> Iterator[Finished]:
    """The run that left OUT, which no other run changes meanwhile; see `check_results`.

    Raises
    ------
    InputError
        There is none, or its lights or what it kept of them are gone or have changed.
    OutputError
        Another run is at work in OUT.
    """
    past = run_that_left(out)
    progress = progress or Silent()
    with claimed(out) as folder:
        job = Job(past.recipe, progress, thread_count(past.recipe.run.threads), folder=folder)
        kept = what_is_kept(folder)
        if kept is None or kept.inputs != inputs_key(past.inputs):
            raise InputError(
                f"{out}: what the run knew of its lights is gone, or is of another version; {anew(out)}"
            )
        check_results(out, made_anew)
        progress.begin("read", 1)
        lights = _lights(past, kept)
        hashes = {path: known.sha256 for path, known in kept.files.items()}
        measured = list(_again(job, lights, kept.calibration, hashes))
        reference = next(frame for frame in measured if frame.raw.path == kept.reference)
        frames = tuple(_placed(frame, kept.table, k) for k, frame in enumerate(measured))
        table = replace(kept.table, trails=without_fixtures(frames))  # sums are kept without them
        canvas = Canvas(folder.layers, job.recipe.run.memory_gb * 1e9, job.threads)
        layers = StackFiles(folder.root, canvas)
        yield Finished(job, frames, reference, kept.calibration, table, layers, kept.way)


def anew(out: Path) -> str:
    """What to do where results of a run are missing or damaged."""
    return f"make the stack anew: fourlight run NIGHTS --out {out}"


def run_that_left(out: Path) -> Provenance:
    """The record of the run whose results a folder holds.

    Raises
    ------
    InputError, OutputError
        It is no folder of results, or holds no finished stack.
    """
    if not (out / MARKER).exists():
        what = "is no folder of results" if out.exists() else "no such folder"
        raise InputError(f"{out}: {what}; name the OUT of a finished run")
    return earlier_run(out)


def check_results(out: Path, made_anew: Collection[str] = ()) -> None:
    """Make sure that what the report is made from is there and whole, before work is done for it.

    Parameters
    ----------
    out : Path
        Folder of the results.
    made_anew : collection of str
        Names of files that are about to be replaced: they may be as they like.

    Raises
    ------
    InputError
    """
    advice = {"summary.json": anew(out), PICTURE: f"make the picture anew: fourlight picture {out}"}
    for name in (name for name in advice if name not in made_anew):
        try:
            if name == PICTURE:
                own_tiff(out / name)
            elif not {"frames", "grid", "picture"} <= set(json_of((out / name).read_bytes())):
                raise ValueError
        except (OSError, ValueError, TypeError) as error:
            raise unreadable(out / name, error, advice[name]) from None
    check_evidence(out, made_anew)


def check_there(out: Path) -> None:
    """Make sure that results that are looked at were not taken away meanwhile.

    Raises
    ------
    InputError
    """
    if not (out / "summary.json").is_file():
        raise InputError(f"{out}: the results are gone; make the run again: fourlight run NIGHTS --out {out}")


def _again(
    job: Job, lights: list[RawFrame], calibration: Calibration, hashes: Mapping[Path, str]
) -> Iterator[MeasuredFrame]:
    """What was measured of each light, which is on disk unless somebody has tidied up."""
    for item in each_measured(job, lights, calibration, hashes):
        if isinstance(item, SetAside):
            raise InputError(f"{item.path}: can no longer be used ({item.reason}); run the lights anew")
        yield item


def _placed(frame: MeasuredFrame, table: FrameTable, row: int) -> RegisteredFrame:
    """A light as it was placed on the grid of the reference, from the row of it in the table of the stack."""
    back = maps.inverse(Grid(table.zoom).matrix)
    matrix = maps.composed(table.matrix[row], back)
    planes = table.bend[row] / table.zoom
    planes[:, :, 0, 0] -= 0.5 * (table.zoom - 1) / table.zoom
    middle = planes.mean(axis=0)
    linear = np.stack([planes[..., 1, 0], planes[..., 0, 1], planes[..., 0, 0]], axis=-1)
    bend = None if bends.is_straight(middle) else middle
    # a bent map holds the mean of what lies between planes and the stars' places: what is left is between planes
    shifted = linear if bend is None else matrix + linear - linear.mean(axis=0)
    offset = np.array([np.eye(2, 3) - maps.composed(part, maps.inverse(matrix)) for part in shifted])
    seen = table.scale[row] / abs(float(np.linalg.det(matrix[:, :2])))
    return RegisteredFrame(frame, matrix, 0.0, 0, transparency=seen, offset=offset, bend=bend)


def _lights(past: Provenance, kept: Kept) -> list[RawFrame]:
    """The lights of the stack as the run saw them."""
    for path in kept.lights:
        _check(path, kept)
    found = {frame.path: frame for frame in scan(past.searched, past.recipe.read, set(kept.lights)).frames}
    missing = [path for path in kept.lights if path not in found]
    if missing:
        raise InputError(
            f"{missing[0]}: can no longer be read as the light it was; put it back, or run all again"
        )
    return [_as_seen(found[path], kept) for path in kept.lights]


def _check(path: Path, kept: Kept) -> None:
    known = kept.files[path]
    try:
        same = known.is_still(path) or (path.stat().st_size == known.size and file_hash(path) == known.sha256)
    except OSError:
        raise InputError(
            f"{path}: is gone since the run; put it back where it was, or run the lights anew where they are"
        ) from None
    if not same:
        raise InputError(f"{path}: has changed since the run; run all lights anew")


def _as_seen(frame: RawFrame, kept: Kept) -> RawFrame:
    known = kept.files[frame.path]
    return replace(frame, blank_rows=known.blank_rows, problems=known.problems)
