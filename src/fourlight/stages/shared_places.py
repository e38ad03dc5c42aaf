"""Places of stars that all lights share, on the grid of the reference, and where they are in each light."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from fourlight.core import bends, maps
from fourlight.frames import RegisteredFrame

__all__ = ["Places", "places_in", "shared_places", "zoom"]

Float64 = npt.NDArray[np.float64]

SAME = 0.5
"""Distance of a star of one light from that of another, over the star's width, up to which they are the same."""

BEND_STEPS = 5
"""Of Newton's method with the affine part of a bent map: each makes the error smaller by the bend's slope."""

FLOOR_PX = 0.01
"""Error of a star's place that no amount of light removes."""


@dataclass(frozen=True, slots=True)
class Places:
    """Stars on the grid of the reference frame, brightest first."""

    x: Float64
    """(n,) pixels of the reference."""
    y: Float64
    light: Float64
    """(n,) all planes together, in the light of the reference."""
    size: Float64
    """(n,) natural logarithm of the width over that of the usual star."""


def shared_places(frames: Sequence[RegisteredFrame]) -> Places:
    """Mean places of the stars of the light that shows most of them, over all lights that show them.

    A place from one light depends on how the star lies on the pixels; over dithered lights that averages out.
    """
    most = max(frames, key=lambda frame: len(frame.measured.stars))
    stars = most.measured.stars
    x, y = _to_reference(most, stars.x, stars.y)
    reach = SAME * float(np.nanmean(most.measured.fwhm_px)) * zoom(most) if len(stars) else 1.0
    tree = cKDTree(np.column_stack([x, y]))
    sums, size = np.zeros((3, len(stars))), np.zeros((2, len(stars)))
    for frame in frames:
        own = frame.measured.stars
        if not (len(own) and len(stars)):
            continue
        there = np.column_stack(_to_reference(frame, own.x, own.y))
        gap, star = tree.query(there)
        near = gap < max(reach, SAME * float(np.nanmean(frame.measured.fwhm_px)) * zoom(frame))
        error = np.sqrt((own.flux_error**2).sum(axis=1)) / np.maximum(own.flux.sum(axis=1), 1e-30)
        weight = 1.0 / ((zoom(frame) * own.fwhm_px * error / 2.355) ** 2 + FLOOR_PX**2)
        weight = np.where(near & ~own.saturated, weight, 0.0)
        for k, part in enumerate((there[:, 0], there[:, 1], np.ones(len(own)))):
            sums[k] += np.bincount(star, weight * part, len(stars))
        wide = np.log(own.fwhm_px / np.median(own.fwhm_px))
        size += np.array(
            [np.bincount(star, weight * wide, len(stars)), np.bincount(star, weight, len(stars))]
        )
    known = sums[2] > 0
    mean = np.where(known, sums / np.where(known, sums[2], 1.0), [x, y, np.ones(len(stars))])
    usual = size[0] / np.where(known, size[1], 1.0)
    return Places(mean[0], mean[1], (stars.flux / most.transparency).sum(axis=1), usual)


def places_in(frame: RegisteredFrame, places: Places) -> tuple[Float64, Float64]:
    """Where stars are in each plane of a light, (n, 4) pixels, x and y."""
    back = maps.inverse(frame.matrix)
    x, y = maps.apply(back, places.x, places.y)
    for _ in range(0 if frame.bend is None else BEND_STEPS):
        u, v = _to_reference(frame, x, y)
        dx, dy = back[:, :2] @ np.stack([places.x - u, places.y - v])
        x, y = x + dx, y + dy
    away = np.einsum("pkm,mn->kpn", frame.offset, np.stack([x, y, np.ones_like(x)]))
    return (x + away[0]).T, (y + away[1]).T


def _to_reference(frame: RegisteredFrame, x: Float64, y: Float64) -> tuple[Float64, Float64]:
    if frame.bend is None:
        return maps.apply(frame.matrix, x, y)
    return bends.apply(frame.bend, x, y)


def zoom(frame: RegisteredFrame) -> float:
    """Pixels of the reference per pixel of a light."""
    return float(np.sqrt(abs(np.linalg.det(frame.matrix[:, :2]))))
