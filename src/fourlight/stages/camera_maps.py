"""Means of many frames as maps: nonuniformity of light and dark signal, and defective samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntFlag
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.core.combine import clipped_mean
from fourlight.core.regionerror import Measured
from fourlight.core.uniformity import (
    SIGMA,
    apart,
    high_passed,
    spatial_variance,
    square_root,
    unsteady,
)
from fourlight.frames import RawFrame
from fourlight.io.arrays import mapped_array
from fourlight.io.room import new_array
from fourlight.stages.banding import bands, each_band
from fourlight.stages.masters import OpenSource

__all__ = ["Defect", "Stack", "dark_nonuniformity", "defect_map", "light_nonuniformity", "stacked"]

FloatArray = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]

CLIP = 5.0
"""Robust standard deviations from the median of a sample's exposures, beyond which one is a particle."""
FEWEST_UNSTEADY = 6
"""Frames from which the scatter of a single sample tells anything."""
FEWEST_DARKS = 3
LEAST_CHANGE = 0.05
"""Share of the light by which a sample must differ from others to be cold, whatever the noise."""


class Defect(IntFlag):
    """Kinds of defective samples: the numbers in the map."""

    NONE = 0
    HOT = 1
    COLD = 2
    UNSTEADY = 4


@dataclass(frozen=True, slots=True)
class Stack:
    """Mean and scatter of frames, sample by sample, on disk."""

    folder: Path
    frames: int
    levels: FloatArray
    """(n, 4) mean of each frame and place, ADU."""

    def plane(self, name: str, place: int) -> npt.NDArray[np.float32]:
        """``mean``, ``variance`` or ``kept`` at one place of the cell, in memory."""
        array = mapped_array(self.folder / f"{name}.npy", "r")
        return np.array(array[place // 2 :: 2, place % 2 :: 2])


def stacked(
    frames: Sequence[RawFrame], open_source: OpenSource, noise: FloatArray, folder: Path, threads: int,
    zero: FloatArray | None = None, levels: FloatArray | None = None,
) -> Stack:  # fmt: skip
    """Clipped mean and variance of every sample, band by band.

    Parameters
    ----------
    frames : sequence of RawFrame
        At least one, of one size.
    open_source : callable
    noise : (4,) float64
        Standard deviation of one sample at each place, ADU.
    folder : Path
        For the maps; made here.
    threads : int
    zero, levels : (4,) and (n, 4) float64, optional
        Level of no light, and that of each frame above it, ADU: frames are scaled to the mean of them all first.
    """
    folder.mkdir(parents=True)
    ny, nx = frames[0].ny, frames[0].nx
    out = {name: new_array(folder / f"{name}.npy", (ny, nx)) for name in ("mean", "variance", "kept")}
    sources = [open_source(frame) for frame in frames]
    scale = None if levels is None else (levels.mean(axis=0) / levels).astype(np.float32)

    def band(samples: Float32, rows: slice) -> FloatArray:
        if scale is not None and zero is not None:
            _brought_to_one_level(samples, zero.astype(np.float32), scale)
        out["mean"][rows], out["variance"][rows], out["kept"][rows] = clipped_mean(
            samples, CLIP, noise.reshape(2, 2)
        )
        return _sums(samples)

    cuts = [slice(y0, y1) for y0, y1 in bands(ny, nx, 2 * len(frames))]
    total, known = sum(each_band(band, sources, cuts, threads), np.zeros((2, len(frames), 4)))
    for array in out.values():
        array.flush()
    return Stack(folder, len(frames), total / known)


def _sums(samples: Float32) -> FloatArray:
    """(2, n, 4) sum and number of the known samples of each frame at each place; none where no row of a band came."""
    places = [samples[:, y::2, x::2] for y in range(2) for x in range(2)]
    total = [np.nansum(place, axis=(1, 2), dtype=np.float64) for place in places]
    known = [np.count_nonzero(~np.isnan(place), axis=(1, 2)) for place in places]
    return np.array([np.transpose(total), np.transpose(known)])


def _brought_to_one_level(samples: Float32, zero: Float32, scale: Float32) -> None:
    for place in range(4):
        part = samples[:, place // 2 :: 2, place % 2 :: 2]
        part -= zero[place]
        part *= scale[:, place, None, None]
        part += zero[place]


def dark_nonuniformity(bias: Stack, dark_variance: FloatArray, place: int) -> Measured:
    """Standard deviation over the samples of the dark signal, ADU (EMVA 1288: DSNU), high-passed.

    Parameters
    ----------
    bias : Stack
    dark_variance : (4,) float64
        Temporal variance of one sample, ADU^2.
    place : int
    """
    rest = high_passed(bias.plane("mean", place))
    return square_root(spatial_variance(rest, float(dark_variance[place]) / bias.frames))


def light_nonuniformity(
    flat: Stack, bias: Stack, temporal: Measured, place: int
) -> tuple[Measured, Measured]:
    """Standard deviation over the samples of the response, as a part of it (EMVA 1288: PRNU), high-passed.

    The mean of flats less that of bias frames is divided by its mean over a box of samples, so that vignetting and
    shadows of dust drop out; what is left holds the noise of both means, which is taken off. A sample that is nearly
    blind darkens the boxes of 24 others, which so seem brighter by some per cent: where those that stand apart are left
    out, so are these.

    Parameters
    ----------
    flat, bias : Stack
    temporal : Measured
        Temporal variance of the difference of both means over the square of the light, mean over the samples.
    place : int

    Returns
    -------
    whole, usual : Measured
        Of all samples, as the standard asks, and without those that stand apart.
    """
    light = flat.plane("mean", place) - bias.plane("mean", place)
    relative = _relative(light)
    usual = _relative(np.where(_stands_apart(relative), np.float32(np.nan), light))
    return _of_samples(relative, temporal), _of_samples(usual, temporal)


def _of_samples(relative: Float32, temporal: Measured) -> Measured:
    """Standard deviation without noise; noise that is taken off too much or too little is part of the error."""
    found = spatial_variance(relative, temporal.value)
    return square_root(Measured(found.value, float(np.hypot(found.error, temporal.error))))


def _relative(light: Float32) -> Float32:
    """What each sample has above the mean of the box around it, as a part of that."""
    rest = high_passed(light)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(rest / (light - rest), dtype=np.float32)


def _stands_apart(rest: Float32) -> npt.NDArray[np.bool_]:
    """Samples far beyond the scatter of the others; never where it is not known."""
    known = rest[np.isfinite(rest)]
    scatter = 1.4826 * float(np.median(np.abs(known - np.median(known)))) if known.size else 0.0
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(rest) > SIGMA * max(scatter, 1e-12))


def defect_map(
    bias: Stack, dark: Stack | None, flat: Stack | None, noise: FloatArray, gain: float, step: float
) -> npt.NDArray[np.uint8]:
    """Kinds of defects of every sample (`Defect`, added), 0 where it is sound.

    Hot: the mean of darks less that of bias frames (or of bias frames alone, where there are no darks) lies 8 robust
    standard deviations above the median of the samples of its place around it. Cold: it answers to light less than
    those by as much, and by 5 % or more. Unsteady: it scatters over bias frames or darks more than chance gives one in
    a thousand million.

    Parameters
    ----------
    bias, dark, flat : Stack or None
    noise : (4,) float64
        Of one sample without light, rounding included, ADU.
    gain : float
        e/ADU.
    step : float
        Of the digitiser, ADU.
    """
    shape = mapped_array(bias.folder / "mean.npy", "r").shape
    found = np.zeros(shape, dtype=np.uint8)
    for place in range(4):
        part = found[place // 2 :: 2, place % 2 :: 2]
        zero = bias.plane("mean", place)
        dark_mean = dark.plane("mean", place) - zero if dark is not None else zero
        part |= _hot(dark_mean, step) * np.uint8(Defect.HOT)
        if flat is not None:
            part |= _cold(flat.plane("mean", place) - zero) * np.uint8(Defect.COLD)
        for stack, signal in ((bias, None), (dark, dark_mean)):
            if stack is not None and stack.frames >= FEWEST_UNSTEADY:
                expected = noise[place] ** 2 + (0.0 if signal is None else np.maximum(signal, 0.0) / gain)
                kept = stack.plane("kept", place).astype(np.int32)
                part |= unsteady(stack.plane("variance", place), expected, kept) * np.uint8(Defect.UNSTEADY)
    return found


def _hot(dark: Float32, step: float) -> npt.NDArray[np.bool_]:
    excess, scatter = apart(dark)
    # means of few coarse values may all be alike: a fifth of a step is no defect
    with np.errstate(invalid="ignore"):
        return np.asarray(excess > SIGMA * max(scatter, 0.2 * step / SIGMA))


def _cold(light: Float32) -> npt.NDArray[np.bool_]:
    excess, _ = apart(light)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = excess / (light - excess)
    known = share[np.isfinite(share)]
    scatter = 1.4826 * float(np.median(np.abs(known))) if known.size else 0.0
    with np.errstate(invalid="ignore"):
        return np.asarray(share < -max(SIGMA * scatter, LEAST_CHANGE))
