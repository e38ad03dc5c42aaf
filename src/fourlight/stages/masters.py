"""Masters: calibration frames combined to one array on disk, band by band so that memory stays bounded."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from weakref import WeakValueDictionary

import numpy as np
import numpy.typing as npt

from fourlight import __version__
from fourlight.core.cfa import plane_map
from fourlight.core.combine import clipped_mean
from fourlight.core.noise import quantisation_step, sample_noise
from fourlight.frames import RawFrame
from fourlight.io.arrays import mapped_array
from fourlight.io.pixels import PixelSource
from fourlight.io.room import new_array, whole, writing
from fourlight.json_text import json_of
from fourlight.stages.banding import bands, each_band

__all__ = [
    "Master",
    "OpenSource",
    "combined",
    "derived",
    "identity",
    "patches",
    "plane_levels",
]

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
OpenSource = Callable[[RawFrame], PixelSource]

_open_arrays: WeakValueDictionary[Path, Float32Array] = WeakValueDictionary()

PATCH = 512
"""Side in pixels of the squares from which levels and noise of a frame are taken."""


@dataclass(frozen=True, slots=True)
class Master:
    """A calibration array on disk."""

    path: Path
    """(ny, nx) float32 .npy file."""
    frames: int
    """Exposures that went into it."""
    variance: tuple[float, ...]
    """Variance of the master per plane (R, G1, G2, B), square of its unit."""

    @property
    def files(self) -> tuple[Path, Path]:
        """The array, and the note beside it that says the rest."""
        return self.path, self.path.with_suffix(".json")

    def open(self) -> Float32Array:
        """The array, mapped read-only, once for all who hold it."""
        array = _open_arrays.get(self.path)
        if array is None:
            array = mapped_array(self.path, "r")
            _open_arrays[self.path] = array
        return array


def combined(
    frames: Sequence[RawFrame],
    open_source: OpenSource,
    pattern: str,
    clip_sigma: float,
    work: Path,
    *,
    pedestal: Master | float = 0.0,
    levels: FloatArray | None = None,
    threads: int = 1,
) -> Master:
    """Clipped mean of frames, each less the pedestal and over its own level.

    Parameters
    ----------
    frames : sequence of RawFrame
        At least one, all of one size.
    open_source : callable
        Gives the pixels of a frame.
    pattern : str
        Mosaic pattern in array order.
    clip_sigma : float
        Threshold of `fourlight.core.combine.clipped_mean`.
    work : Path
        Folder for the array; one made before from the same files and settings is used again.
    pedestal : Master or float
        Taken off every frame, ADU.
    levels : (n, 4) float64, optional
        Level per frame and plane that the frame is divided by; the result is then a ratio near 1.
    threads : int
        Bands of rows that are worked on at the same time.

    Returns
    -------
    Master
    """
    ny, nx = frames[0].ny, frames[0].nx
    path = work / _name(frames, pattern, clip_sigma, pedestal, levels)
    known = _remembered(path, (ny, nx))
    if known is not None:
        return known
    sources = [open_source(frame) for frame in frames]
    cell = plane_map(pattern)
    scale = None if levels is None else (1.0 / levels)[:, cell].astype(np.float32)
    noise = _frame_noise(sources[0])
    if scale is not None:
        noise *= np.median(scale, axis=0)
    taken = pedestal.open() if isinstance(pedestal, Master) else pedestal
    variances: list[FloatArray] = []

    def fill(out: Float32Array) -> None:
        def band(stack: Float32Array, rows: slice) -> FloatArray:
            stack -= taken[rows] if isinstance(taken, np.ndarray) else np.float32(taken)
            _multiply(stack, scale)
            out[rows], variance, kept = clipped_mean(stack, clip_sigma, noise)
            return _cell_means(variance, kept)

        rows = [slice(y0, y1) for y0, y1 in bands(ny, nx, 2 * len(frames))]
        variances.extend(each_band(band, sources, rows, threads))

    _written(path, (ny, nx), fill)
    with np.errstate(invalid="ignore"):
        error = np.median(np.asarray(variances), axis=0)
    error = np.where(np.isfinite(error), error, noise**2 / len(frames))
    return _remember(Master(path, len(frames), by_plane(error, cell)))


def _name(
    frames: Sequence[RawFrame],
    pattern: str,
    clip_sigma: float,
    pedestal: Master | float,
    levels: FloatArray | None,
) -> str:
    """Name of the file of a combined frame, by all that shapes it."""
    taken = pedestal.path.name if isinstance(pedestal, Master) else float(pedestal)
    shown = None if levels is None else np.round(levels, 6).tolist()
    key = ["combined", [identity(f) for f in frames], pattern, clip_sigma, taken, shown]
    return f"{frames[0].role}-{_digest(key)}.npy"


def _multiply(stack: Float32Array, scale: Float32Array | None) -> None:
    """Multiply frames (n, rows, nx) by factors (n, 2, 2) by place in the mosaic cell."""
    if scale is None:
        return
    nx = stack.shape[2]
    times = np.tile(scale, (1, 1, (nx + 1) // 2))[:, :, :nx]
    for part, rows in zip(stack, times, strict=True):
        part[::2] *= rows[0]
        part[1::2] *= rows[1]


def by_plane(values: FloatArray, cell: npt.NDArray[np.int64]) -> tuple[float, ...]:
    """Numbers by place in the mosaic cell (2, 2) in the order of the planes."""
    out = np.empty(4)
    out[cell] = values
    return tuple(out.tolist())


def derived(
    key: list[object],
    name: str,
    shape: tuple[int, int],
    work: Path,
    fill: Callable[[Float32Array], None],
    frames: int,
    variance: Sequence[float],
) -> Master:
    """A map made from masters (a scaled dark, a response map), kept like a master itself."""
    path = work / f"{name}-{_digest(key)}.npy"
    known = _remembered(path, shape)
    if known is not None:
        return known
    _written(path, shape, fill)
    return _remember(Master(path, frames, tuple(float(v) for v in variance)))


def plane_levels(
    source: PixelSource, pattern: str, saturation: float | None
) -> tuple[FloatArray, FloatArray]:
    """Median level (ADU) and share of samples at or above ``saturation``, both per plane, from rows of patches.

    Noise of 1 % leaves an error of 0.003 % on a level. Gradients leave none on the ratio of two frames, which are
    looked at in the same places.
    """
    cell = plane_map(pattern)
    level, full = np.full(4, np.nan), np.zeros(4)
    parts = list(patches(source))
    for y, x in np.ndindex(2, 2):
        values = np.concatenate([patch[y::8, x::2].ravel() for patch in parts])
        values = values[np.isfinite(values)]
        if values.size:
            level[cell[y, x]] = np.median(values)
            full[cell[y, x]] = 0.0 if saturation is None else np.mean(values >= saturation)
    return level, full


def identity(frame: RawFrame) -> list[object]:
    """What tells whether a file is still the same: path, HDU, size and time of change."""
    try:
        state = os.stat(frame.path)
    except OSError:
        return [str(frame.path), frame.hdu]
    return [str(frame.path), frame.hdu, state.st_size, state.st_mtime_ns]


def patches(source: PixelSource, every: int = 1) -> Iterator[Float32Array]:
    """Up to nine squares spread over the frame without overlap, starting at even rows and columns; or some of them."""
    ny, nx = source.shape
    for y, x in list(product(_starts(ny), _starts(nx)))[::every]:
        yield source.read(y, min(ny, y + PATCH), x, min(nx, x + PATCH))


def _starts(length: int) -> list[int]:
    count = min(3, max(1, length // PATCH))
    room = max(0, length - PATCH)
    return [room // 4 * 2] if count == 1 else [int(s) // 2 * 2 for s in np.linspace(0, room, count)]


def _frame_noise(source: PixelSource) -> FloatArray:
    """Noise of one sample by place in the mosaic cell (2, 2), the median over patches; 0 where none tells."""
    found = np.array([_noises(patch) for patch in patches(source)])
    known = np.isfinite(found).any(axis=0)
    noise = np.zeros(4)
    noise[known] = np.nanmedian(found[:, known], axis=0)
    return noise.reshape(2, 2)


def _noises(patch: Float32Array) -> list[float]:
    step = quantisation_step(patch) or 0.0
    return [sample_noise(patch[y::2, x::2], step=step) for y, x in np.ndindex(2, 2)]


def _cell_means(variance: Float32Array, kept: npt.NDArray[np.int32]) -> FloatArray:
    """Variance of the mean by place in the mosaic cell (2, 2), from 16 to 31 pairs of rows spread over a band.

    The mean of all pixels with the largest hundredth cut down to the others, which are not hot then; NaN without any.
    """
    step = 2 * max(1, len(variance) // 32)
    means = np.full((2, 2), np.nan)
    for y, x in np.ndindex(2, 2):
        values = variance[y::step, x::2] / np.maximum(kept[y::step, x::2], 1)
        values = values[np.isfinite(values)]
        if values.size:
            means[y, x] = np.mean(np.minimum(values, np.percentile(values, 99)))
    return means


def _digest(key: list[object]) -> str:
    return hashlib.sha256(json.dumps([__version__, *key], default=str).encode()).hexdigest()[:16]


def _written(path: Path, shape: tuple[int, int], fill: Callable[[Float32Array], None]) -> None:
    with writing(path):
        path.parent.mkdir(parents=True, exist_ok=True)
    with whole(path) as part:
        out = new_array(part, shape)
        fill(out)
        out.flush()
        del out


def _remember(master: Master) -> Master:
    note = {"frames": master.frames, "variance": list(master.variance)}
    with whole(master.files[1]) as part:
        part.write_text(json.dumps(note), encoding="utf-8")
    return master


def _remembered(path: Path, shape: tuple[int, int]) -> Master | None:
    try:
        note = json_of(path.with_suffix(".json").read_text(encoding="utf-8"))
        array = mapped_array(path, "r")
        if array.shape != shape or array.dtype != np.float32:
            return None
        return Master(path, int(note["frames"]), tuple(float(v) for v in note["variance"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None
