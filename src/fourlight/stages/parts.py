"""Noise and sharpness of parts of a stack, to compare treatments of the lights.

Noise is told by both greens, which see the same light through different samples of the sensor: what they disagree on is
photon noise, read noise and every fixed pattern that is left, and nothing of the object. Red and blue have no second
plane; there the halves tell the noise, and what a treatment of the same lights changes is added to it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from fourlight.core import starlet, starmodel, starshape
from fourlight.stages.geometry import FrameTable, Tile
from fourlight.stages.stack_layers import OUTPUT_PLANES, PlaneLayers

__all__ = ["part_noise", "part_widths"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

FEWEST_PIXELS = 256
"""Of a part, that tell its noise."""
FEWEST_STARS, MOST_STARS = 4, 40
"""Of a part, that tell their width."""
STEEP_SIGMA = 5.0
"""Fine detail in units of the noise, from which pixels do not tell it."""
BEYOND = 8.0
"""Scatter in units of the noise of the stack as run, up to which a pixel counts in full."""
SCALES = 3
"""Of the starlet: noise is what varies within some 8 px."""


def part_noise(planes: Mapping[str, PlaneLayers], base: Mapping[str, PlaneLayers], *, same: bool) -> Float64:
    """(5,) noise of a pixel of R, G1, G2, B, G.

    Parameters
    ----------
    planes : mapping of str to PlaneLayers
        Of a part.
    base : the same
        Of the stack as run.
    same : bool
        Whether both are of the same lights.
    """
    joint, sigma = _fine(base["G"].layers["value"]), _of_halves(base["G"])
    even = np.isfinite(joint) & (np.abs(joint) < STEEP_SIGMA * sigma)
    apart = _fine(planes["G1"].layers["value"]) - _fine(planes["G2"].layers["value"])
    greens = _variance(_capped(apart, 2 * sigma), even)
    out = {"G1": greens / 2, "G2": greens / 2, "G": greens / 4}
    for p in ("R", "B"):
        own = _of_halves(planes[p])
        more = 0.0
        if same:  # the photons are the same: what differs is what the treatment did
            change = _fine(planes[p].layers["value"] - base[p].layers["value"])
            more = _variance(_capped(change, own), even)
        out[p] = own**2 + more
    return np.sqrt([out[p] for p in OUTPUT_PLANES])


def _of_halves(plane: PlaneLayers) -> float:
    """Noise of a pixel of a plane, from the difference of its halves."""
    noise = _fine((plane.layers["value_a"] - plane.layers["value_b"]) * np.float32(0.5))
    known = noise[np.isfinite(noise)]
    return float(1.4826 * np.median(np.abs(known))) if known.size >= FEWEST_PIXELS else float("nan")


def part_widths(planes: Mapping[str, PlaneLayers], table: FrameTable, tile: Tile) -> Float64:
    """(5,) width of the stars on a part, pixels of the reference; NaN where few stand there."""
    x, y = table.stars[:, 0] - tile.x0, table.stars[:, 1] - tile.y0
    rim = 3 * float(np.max(table.fwhm_px))
    inside = (x > rim) & (y > rim) & (x < tile.x1 - tile.x0 - rim) & (y < tile.y1 - tile.y0 - rim)
    good = np.flatnonzero(inside & (table.stars[:, 2:] < 0.5 * table.full).all(axis=1))
    good = good[np.argsort(-table.stars[good, 3])][:MOST_STARS]
    out = np.full(len(OUTPUT_PLANES), np.nan)
    if len(good) < FEWEST_STARS:
        return out
    width = float(np.median(table.fwhm_px))
    start = starmodel.moffat_shape(width)
    for k, plane in enumerate(OUTPUT_PLANES):
        shape, fine = starshape.plane_shape(
            planes[plane].layers["value"], np.zeros((2, 2), dtype=np.int64), 0, _of_halves(planes[plane]) ** 2,
            0.0, x[good], y[good], np.array([start, 0.0, start]), int(np.clip(np.ceil(2.2 * width), 4, 24)),
        )  # fmt: skip
        if fine:
            out[k] = starmodel.moffat_fwhm(*shape[:3])[0] / table.zoom
    return out


def _fine(image: Float32) -> Float32:
    """What varies within some pixels."""
    smooth = image
    for scale in range(SCALES):
        smooth = starlet.smooth_step(smooth, scale)
    return image - smooth


def _capped(values: Float32, sigma: float) -> Float32:
    return np.clip(values, -BEYOND * sigma, BEYOND * sigma)


def _variance(values: Float32, use: npt.NDArray[np.bool_]) -> float:
    """Mean square of the values that count; NaN where they are few."""
    chosen = values[use & np.isfinite(values)].astype(np.float64)
    return float(np.mean(chosen**2)) if chosen.size >= FEWEST_PIXELS else float("nan")
