"""Masters: calibration frames combined to one array on disk, band by band so that memory stays bounded."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from weakref import WeakValueDictionary

import numpy as np
import numpy.typing as npt

from fourlight import __version__
from fourlight.core.cfa import plane_map
from fourlight.core.combine import clipped_mean
from fourlight.core.noise import sample_noise
from fourlight.frames import RawFrame
from fourlight.io.pixels import PixelSource
from fourlight.io.room import new_array, whole, writing

__all__ = ["Master", "OpenSource", "bands", "combined", "derived", "identity", "patches", "plane_levels"]

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
OpenSource = Callable[[RawFrame], PixelSource]

BAND_BYTES = 60_000_000
"""Samples of all frames in a band; combining them takes about three times as much."""
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
            array = np.load(self.path, mmap_mode="r")
            _open_arrays[self.path] = array
        return array


def bands(ny: int, nx: int, frames: int) -> Iterator[tuple[int, int]]:
    """Row ranges such that as many frames fit `BAND_BYTES`; even starts keep the mosaic phase."""
    rows = max(2, BAND_BYTES // (4 * max(nx, 1) * max(frames, 1)) // 2 * 2)
    for y0 in range(0, ny, rows):
        yield y0, min(ny, y0 + rows)


def combined(
    frames: Sequence[RawFrame],
    open_source: OpenSource,
    pattern: str,
    clip_sigma: float,
    work: Path,
    *,
    pedestal: Master | float = 0.0,
    levels: FloatArray | None = None,
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

    Returns
    -------
    Master
    """
    ny, nx = frames[0].ny, frames[0].nx
    name = pedestal.path.name if isinstance(pedestal, Master) else float(pedestal)
    shown = None if levels is None else np.round(levels, 6).tolist()
    key = ["combined", [identity(f) for f in frames], pattern, clip_sigma, name, shown]
    path = work / f"{frames[0].role}-{_digest(key)}.npy"
    known = _remembered(path, (ny, nx))
    if known is not None:
        return known
    sources = [open_source(frame) for frame in frames]
    scale = np.ones((len(frames), 4)) if levels is None else 1.0 / levels
    cell = plane_map(pattern)
    noise = _frame_noise(sources[0], cell) * np.median(scale, axis=0)
    taken = pedestal.open() if isinstance(pedestal, Master) else None
    variances: list[Float32Array] = []

    def fill(out: Float32Array) -> None:
        for y0, y1 in bands(ny, nx, 2 * len(frames)):
            stack = np.stack([source.read(y0, y1, 0, nx) for source in sources])
            stack -= np.float32(pedestal) if taken is None else taken[y0:y1]  # type: ignore[arg-type]
            out[y0:y1], variance = _clipped_planes(stack, cell, scale, clip_sigma, noise)
            variances.append(_plane_medians(variance, cell))

    _written(path, (ny, nx), fill)
    with np.errstate(invalid="ignore"):
        error = np.median(np.asarray(variances, dtype=np.float64), axis=0)
    error = np.where(np.isfinite(error), error, noise**2 / len(frames))
    return _remember(Master(path, len(frames), tuple(float(v) for v in error)))


def _clipped_planes(
    stack: Float32Array, cell: npt.NDArray[np.int64], scale: FloatArray, clip_sigma: float, noise: FloatArray
) -> tuple[Float32Array, Float32Array]:
    """Clipped mean over frames of a (n, rows, nx) band, and the variance of that mean, plane by plane."""
    value = np.empty(stack.shape[1:], dtype=np.float32)
    variance = np.empty(stack.shape[1:], dtype=np.float32)
    for y, x in np.ndindex(2, 2):
        p = int(cell[y, x])
        part = np.ascontiguousarray(stack[:, y::2, x::2])
        part *= scale[:, p, None, None].astype(np.float32)
        mean, scatter, kept = clipped_mean(part, clip_sigma, float(noise[p]))
        value[y::2, x::2] = mean
        variance[y::2, x::2] = scatter / np.maximum(kept, 1)
    return value, variance


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
    """Median level (ADU) and share of samples at or above ``saturation``, both per plane, from patches."""
    cell = plane_map(pattern)
    level, full = np.full(4, np.nan), np.zeros(4)
    parts = list(patches(source))
    for y, x in np.ndindex(2, 2):
        values = np.concatenate([patch[y::2, x::2].ravel() for patch in parts])
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


def patches(source: PixelSource) -> Iterator[Float32Array]:
    """Up to nine squares spread over the frame without overlap, starting at even rows and columns."""
    ny, nx = source.shape
    for y in _starts(ny):
        for x in _starts(nx):
            yield source.read(y, min(ny, y + PATCH), x, min(nx, x + PATCH))


def _starts(length: int) -> list[int]:
    count = min(3, max(1, length // PATCH))
    room = max(0, length - PATCH)
    return [room // 4 * 2] if count == 1 else [int(s) // 2 * 2 for s in np.linspace(0, room, count)]


def _frame_noise(source: PixelSource, cell: npt.NDArray[np.int64]) -> FloatArray:
    noise = np.zeros(4)
    parts = list(patches(source))
    for y, x in np.ndindex(2, 2):
        found = [sample_noise(patch[y::2, x::2]) for patch in parts]
        found = [value for value in found if np.isfinite(value)]
        noise[cell[y, x]] = np.median(found) if found else 0.0
    return noise


def _plane_medians(band: Float32Array, cell: npt.NDArray[np.int64]) -> Float32Array:
    values = np.full(4, np.nan, dtype=np.float32)
    for y, x in np.ndindex(2, 2):
        finite = band[y::2, x::2][np.isfinite(band[y::2, x::2])]
        if finite.size:
            values[cell[y, x]] = np.mean(np.minimum(finite, np.percentile(finite, 99)))
    return values


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
        note = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
        array = np.load(path, mmap_mode="r")
        if array.shape != shape or array.dtype != np.float32:
            return None
        return Master(path, int(note["frames"]), tuple(float(v) for v in note["variance"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None
