"""The table of frames that integration works from, made of what each frame was measured to be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core import bends, maps
from fourlight.core.samples import polynomial_terms
from fourlight.frames import MeasuredFrame, RegisteredFrame
from fourlight.stages.frame_facts import repeated, sharpness, star_peaks, together, typical_width
from fourlight.stages.geometry import FrameTable
from fourlight.stages.grid import Grid
from fourlight.stages.skymatch import pixel_scale, sky_differences
from fourlight.stages.trails import without_fixtures

__all__ = ["Sampling", "frame_table", "unbent"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Sampling:
    """How the sensor of a frame took samples of the light."""

    cell: Int64
    """(2, 2) plane index of ``[y % 2, x % 2]``."""
    electrons: bool
    """Whether samples are electrons, so that photon noise follows from the signal."""
    common: Float64
    """(4,) variance per sample that frames share through the master frames, frame units."""
    response: Float64
    """(4,) median flat response of the planes; 1 without flats."""
    full: float = np.inf
    """Level from which a sample may be full, frame units."""
    masters: str = ""
    """What its samples were calibrated with; noise of that is common to frames that have the same."""
    step: float = 0.0
    """Step of the digitiser, frame units; 0 where samples are not whole numbers of it."""


def frame_table(
    frames: Sequence[RegisteredFrame],
    reference: MeasuredFrame,
    sky_order: int,
    *,
    sampling: Sequence[Sampling],
    grid: Grid | None = None,
    stars: bool = False,
    sky: Mapping[int, Float64] | None = None,
) -> FrameTable:
    """Collect what integration needs of each frame.

    Parameters
    ----------
    frames : sequence of RegisteredFrame
        In time order; halves take turns.
    reference : MeasuredFrame
    sky_order : int
        Order of the sky difference.
    sampling : sequence of Sampling
        Of each frame.
    grid : Grid, optional
        Of the stack; that of the reference where not given.
    stars : bool
        Whether weights are best for stars, not for extended light.
    sky : mapping of int to (4, n) float64, optional
        Sky differences of frames, by their number, that are known already.
    """
    grid = grid or Grid()
    scale = np.array([pixel_scale(frame) for frame in frames])
    merit = sharpness(frames) if stars else np.ones((len(frames), 4))
    differences, errors = sky_differences(frames, reference, sky_order, sky)
    return FrameTable(
        **_places(frames, reference, grid),
        **_noise(frames, sampling, scale),
        scale=scale,
        sky=differences,
        sky_error=errors,
        terms=polynomial_terms(sky_order),
        merit=merit,
        weight=merit * scale**2 / np.array([frame.measured.noise for frame in frames]) ** 2,
        half=np.arange(len(frames), dtype=np.int64) % 2,
        cell=np.array([taken.cell for taken in sampling]),
        level=reference.sky.copy(),
        fwhm_px=grid.zoom * typical_width(frames),
        stars=star_peaks(reference, grid),
        full=np.min([taken.full / part for taken, part in zip(sampling, scale, strict=True)], axis=0),
        trails=without_fixtures(frames),
    )


def _places(frames: Sequence[RegisteredFrame], reference: MeasuredFrame, grid: Grid) -> dict[str, Any]:
    """Where frames lie on the stack, and how large they and the stack are."""
    matrix = np.array([grid.carried(frame.matrix) for frame in frames])
    bend = grid.bent(np.array([frame.plane_bend for frame in frames]))
    size = np.array([(frame.measured.raw.ny, frame.measured.raw.nx) for frame in frames], dtype=np.int64)
    return {
        "matrix": matrix,
        "inverse": np.array([maps.inverse(part) for part in matrix]),
        "bend": bend,
        "unbend": unbent(bend, size, grid.shape(reference)),
        "size": size,
        "zoom": grid.zoom,
        "shape": grid.shape(reference),
    }


def _noise(frames: Sequence[RegisteredFrame], sampling: Sequence[Sampling], scale: Float64) -> dict[str, Any]:
    """What the variance of samples is made of, as measured inside of each frame."""
    noise = np.array([frame.measured.noise for frame in frames])
    level = np.array([frame.measured.sky for frame in frames])
    response = np.array([taken.response for taken in sampling])
    poisson = np.array([1.0 if taken.electrons else 0.0 for taken in sampling])
    alike = together(frames, 8.0, [taken.masters for taken in sampling])
    common = np.array([taken.common for taken in sampling])
    return {
        "dark": noise**2 * response**2 - poisson[:, None] * level * response,
        "poisson": poisson,
        "floor": 0.3 * noise**2 / scale**2,
        "shared": repeated(alike)[:, None] * common / scale**2,
        "step": np.array([taken.step for taken in sampling])[:, None] / response / scale,
    }


def unbent(bend: Float64, size: Int64, shape: tuple[int, int]) -> Float64:
    """Maps back from the stack to frames of these sizes, (f, 4, 2, 4, 4)."""
    return np.array(
        [
            [bends.inverse(plane, (ny, nx), shape) for plane in planes]
            for planes, (ny, nx) in zip(bend, size.tolist(), strict=True)
        ]
    )
