"""Where each plane's picture lies beside that of all planes together, so that colour fringes can be taken out.

Lateral colour of the optics belongs to the frame and is the same in all lights of one telescope: a change of scale.
Dispersion by the atmosphere belongs to the sky: a shift of its own in every light, as the object rises and sets and the
camera is turned. Both are measured on stars; the first from all lights together, the second light by light.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import PLANES
from fourlight.core.starplace import plane_places
from fourlight.frames import RawFrame, RegisteredFrame
from fourlight.stages.stack_layers import GROUPS

__all__ = ["aligned", "plane_equations"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

FLOOR_PX = 0.01
"""Error of a star's place that no amount of light removes."""

FEWEST_STARS = 20
"""Stars of a plane over all lights of a telescope that a change of scale is measured from."""


def plane_equations(
    image: Float32,
    cell: Int64,
    noise: Float64,
    poisson: float,
    x: Float64,
    y: Float64,
    shapes: Float64,
    radius: int,
) -> tuple[Float64, Float64]:
    """Normal equations of each plane's offset as a linear function of the place on the frame.

    Parameters
    ----------
    image : (ny, nx) float32
        Calibrated samples of a light.
    cell : (2, 2) int64
    noise : (4,) float64
        Standard deviation of a sample at the sky level.
    poisson : float
        Variance per unit of signal.
    x, y : (n,) float64
        Places of bright unsaturated stars in all planes together.
    shapes : (4, 5) float64
        Star shape per plane.
    radius : int
        Of the disc that is fitted, pixels.

    Returns
    -------
    normal : (4, 3, 3) float64
        Per square pixel; unknowns are the offset in the middle and its change to the right and lower edge.
    right : (4, 3, 2) float64
        For offsets in x and y, pixels.
    """
    ny, nx = image.shape
    design = np.column_stack([np.ones(len(x)), *_unit(x, y, (ny, nx))])
    normal, right = np.zeros((4, 3, 3)), np.zeros((4, 3, 2))
    for plane in range(4):
        offset, error = plane_places(
            image, cell, plane, float(noise[plane]) ** 2, poisson, x, y, shapes[plane], radius
        )
        good = np.isfinite(error)
        weight = _robust(design[good], offset[good], 1.0 / (error[good] ** 2 + FLOOR_PX**2))
        normal[plane] = (design[good] * weight[:, None]).T @ design[good]
        right[plane] = (design[good] * weight[:, None]).T @ offset[good]
    return normal, right


def _unit(x: Float64, y: Float64, shape: tuple[int, int]) -> tuple[Float64, Float64]:
    """Coordinates that run from -1 to 1 over a frame."""
    return 2 * x / max(shape[1] - 1, 1) - 1, 2 * y / max(shape[0] - 1, 1) - 1


def _robust(design: Float64, offset: Float64, weight: Float64) -> Float64:
    """Weights that stars far from the others lose, and that hold the scatter that is really there."""
    kept = weight.copy()
    for _ in range(5):
        if (kept > 0).sum() < 6:
            return np.where(kept > 0, weight, 0.0)
        root = np.sqrt(kept)[:, None]
        fit = np.linalg.lstsq(design * root, offset * root, rcond=None)[0]
        pull = np.abs(offset - design @ fit).max(axis=1) * np.sqrt(weight)
        # The larger of two normal numbers has its median at 1.05 sigma.
        scatter = max(1.0, float(np.median(pull[kept > 0])) / 1.05)
        kept = np.where(pull < 4 * scatter, weight, 0.0)
    return np.asarray(kept / scatter**2)


def aligned(frames: Sequence[RegisteredFrame]) -> list[RegisteredFrame]:
    """The frames with the offset of each plane that their stars show."""
    telescopes: dict[tuple[object, ...], list[int]] = defaultdict(list)
    for k, frame in enumerate(frames):
        telescopes[_telescope(frame.measured.raw)].append(k)
    out = list(frames)
    for members in telescopes.values():
        for k, offset in zip(members, _offsets([frames[k] for k in members]), strict=True):
            out[k] = replace(frames[k], offset=offset)
    return out


def _telescope(raw: RawFrame) -> tuple[object, ...]:
    return raw.ny, raw.nx, raw.binning, raw.pixel_um, raw.focal_mm, raw.camera


def _offsets(frames: Sequence[RegisteredFrame]) -> Float64:
    """(f, 4, 2, 3) offset in pixels as a matrix on (x, y, 1), for lights of one telescope."""
    raw = frames[0].measured.raw
    normal = np.array([frame.measured.fringe_normal for frame in frames])
    right = np.array([frame.measured.fringe_right for frame in frames])
    nights = np.array([frame.measured.raw.night or "" for frame in frames])
    out = np.zeros((len(frames), 4, 2, 3))
    for group in GROUPS:
        planes = [PLANES.index(name) for name in group]
        equations = normal[:, planes].sum(axis=1), right[:, planes].sum(axis=1)
        change = _common_change(*equations)
        shift = _shifts(*equations, change, nights)
        # From edges at -1 and 1 to pixels.
        step = change.T * np.array([2 / max(raw.nx - 1, 1), 2 / max(raw.ny - 1, 1)])
        for plane in planes:
            out[:, plane, :, :2] = step
            out[:, plane, :, 2] = shift - change.sum(axis=0)
    return out


def _common_change(normal: Float64, right: Float64) -> Float64:
    """(2, 2) change of the offset (columns x, y) to the right and lower edge that all lights share."""
    weight = normal[:, 0, 0]
    there = weight > 0
    if there.sum() == 0 or weight[there].sum() * FLOOR_PX**2 < FEWEST_STARS / 100:
        return np.zeros((2, 2))
    n, r, w = normal[there], right[there], weight[there]
    # Each light's own shift is eliminated.
    matrix = (n[:, 1:, 1:] - n[:, 1:, :1] * n[:, :1, 1:] / w[:, None, None]).sum(axis=0)
    vector = (r[:, 1:] - n[:, 1:, :1] * r[:, :1] / w[:, None, None]).sum(axis=0)
    if np.linalg.eigvalsh(matrix).min() <= 0:
        return np.zeros((2, 2))
    return np.asarray(np.linalg.solve(matrix, vector))


def _shifts(normal: Float64, right: Float64, change: Float64, nights: npt.NDArray[np.str_]) -> Float64:
    """(f, 2) offset in the middle of each light; lights whose stars tell little lean on their night's mean."""
    weight = normal[:, 0, 0]
    there = weight > 0
    shift = np.zeros((len(weight), 2))
    shift[there] = (right[there, 0] - normal[there, 0, 1:] @ change) / weight[there, None]
    for night in np.unique(nights):
        own = nights == night
        if (own & there).any():
            shift[own] = _steadied(shift[own], weight[own])
    return shift


def _steadied(shift: Float64, weight: Float64) -> Float64:
    """Shifts drawn towards their mean by the share of their scatter that is error (DerSimonian & Laird 1986)."""
    total = weight.sum()
    mean = (weight[:, None] * shift).sum(axis=0) / total
    excess = (weight[:, None] * (shift - mean) ** 2).sum(axis=0) - ((weight > 0).sum() - 1)
    span = total - (weight**2).sum() / total
    real = np.maximum(excess, 0.0) / span if span > 0 else np.zeros(2)
    share = real * weight[:, None] / (1 + real * weight[:, None])
    return np.asarray(mean + share * (shift - mean))
