"""Noise and sharpness of parts of a stack, to compare treatments of the lights.

Noise is told by both greens, which see the same light through different samples of the sensor: what they disagree on is
photon noise, read noise and every fixed pattern that is left, and nothing of the object. Red and blue have no second
plane; there the halves tell the noise that they do not share. What they do share is added: the noise of the masters,
which is known, and, of samples that were calibrated otherwise, what that changed in both halves alike, less the noise
of the master that is no longer in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import numpy as np
import numpy.typing as npt

from fourlight.core import starlet, starmodel, starshape
from fourlight.stages.geometry import FrameTable, Tile
from fourlight.stages.stack_layers import OUTPUT_PLANES, PlaneLayers

__all__ = ["changed_alike", "part_noise", "part_widths"]

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
LEAST_OF_HALVES = 0.5
"""Variance of a plane over that told by its halves, below which one of the two is wrong."""
FINEST, SCALES = 1, 3
"""Of the starlet: noise is what varies within 2 to 8 px. Finer than that a stack of few lights is smoothed more."""


def part_noise(
    planes: Mapping[str, PlaneLayers],
    base: Mapping[str, PlaneLayers],
    shared: Float64,
    *,
    fewer: bool = False,
) -> Float64:
    """(5,) noise of a pixel of R, G1, G2, B, G.

    Parameters
    ----------
    planes : mapping of str to PlaneLayers
        Of a part.
    base : the same
        Of the stack as run.
    shared : (5,) float64
        Variance that both halves share; that of the greens is not used, which show it themselves.
    fewer : bool
        Whether some of the lights are left out. Of a best mean, what it differs by from one of fewer values is
        independent: variances add up, and no half of fewer lights is needed, whose holes would count as noise.
    """
    even, sigma = _even(base)
    greens = _variance(_capped(_apart(planes), 2 * sigma), even)
    out = {"G1": greens / 2, "G2": greens / 2, "G": greens / 4}
    for k, p in enumerate(OUTPUT_PLANES):
        if p not in out:
            one = base[p] if fewer else planes[p]
            own = _capped(_fine(_halved(one)), _of_halves(one))
            out[p] = _variance(own, even) * _of_whole(one, even) + shared[k]
            if fewer:
                change = _fine(planes[p].layers["value"] - one.layers["value"])
                out[p] += _variance(_capped(change, _of_halves(one)), even)
    variance = np.array([out[p] for p in OUTPUT_PLANES])
    return np.sqrt(np.where(variance > 0, variance, np.nan))


def changed_alike(planes: Mapping[str, PlaneLayers], base: Mapping[str, PlaneLayers]) -> Float64:
    """(5,) variance of what a treatment of the same lights changed in both halves alike, R, G1, G2, B, G.

    Noise of single lights, and what dithering has averaged, is in one half only and drops out of the product of both:
    the difference of the halves tells it.
    """
    even, out = _even(base)[0], []
    for p in OUTPUT_PLANES:
        most = np.sqrt(2.0) * _of_halves(base[p])
        one, other = (
            _capped(_fine(planes[p].layers[half] - base[p].layers[half]), most)
            for half in ("value_a", "value_b")
        )
        out.append(_mean_of(one * other, even))
    return np.array(out)


def _even(base: Mapping[str, PlaneLayers]) -> tuple[npt.NDArray[np.bool_], float]:
    """Where the light of the stack as run is even, and the noise of a pixel of G, with every pattern in it.

    With the patterns: held against what the halves do not share alone, pixels would be chosen by the pattern itself.
    """
    joint, sigma = _fine(base["G"].layers["value"]), _scatter(_apart(base)) / 2
    return np.isfinite(joint) & (np.abs(joint) < STEEP_SIGMA * sigma), sigma


def _apart(planes: Mapping[str, PlaneLayers]) -> Float32:
    """What the greens disagree on within some pixels."""
    return _fine(planes["G1"].layers["value"]) - _fine(planes["G2"].layers["value"])


def _halved(plane: PlaneLayers) -> Float32:
    """Noise of a plane that its halves do not share."""
    return np.asarray((plane.layers["value_a"] - plane.layers["value_b"]) * np.float32(0.5))


def _of_whole(plane: PlaneLayers, even: npt.NDArray[np.bool_]) -> float:
    """Variance of a plane over that of half the difference of its halves, as it was reckoned.

    It is 1 where samples lie close. Halves of a few lights have holes, over which noise spreads more than in the whole.
    Far from 1 it is not believed: least squares of lights that are not dithered reckon too little for the whole.
    """
    whole, one, other = (plane.layers[name] for name in ("variance", "variance_a", "variance_b"))
    ratio = 4 * _mean_of(whole, even) / _mean_of(one + other, even)
    return ratio if LEAST_OF_HALVES < ratio < 1 / LEAST_OF_HALVES else 1.0


def _of_halves(plane: PlaneLayers) -> float:
    """Typical noise of a pixel of a plane, from the difference of its halves."""
    return _scatter(_fine(_halved(plane)))


def _scatter(noise: Float32) -> float:
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
    """What varies within some pixels, beyond the finest that lights are smoothed over.

    White noise keeps its standard deviation, so that what is told is that of a pixel whose neighbours are independent.
    """
    return _band(image) / np.float32(_kept())


@cache
def _kept() -> float:
    """Standard deviation that white noise of 1 keeps: the root of the summed squares of the answer to one pixel."""
    point = np.zeros((65, 65), dtype=np.float32)
    point[32, 32] = 1.0
    return float(np.sqrt(np.sum(_band(point).astype(np.float64) ** 2)))


def _band(image: Float32) -> Float32:
    fine = smooth = starlet.smoothed(image, FINEST)
    for scale in range(FINEST, SCALES):
        smooth = starlet.smooth_step(smooth, scale)
    return fine - smooth


def _capped(values: Float32, sigma: float) -> Float32:
    return np.clip(values, -BEYOND * sigma, BEYOND * sigma)


def _variance(values: Float32, use: npt.NDArray[np.bool_]) -> float:
    """Mean square of the values that count; NaN where they are few."""
    return _mean_of(values.astype(np.float64) ** 2, use)


def _mean_of(values: npt.NDArray[np.floating], use: npt.NDArray[np.bool_]) -> float:
    """Mean of the values that count; NaN where they are few."""
    chosen = values[use & np.isfinite(values)].astype(np.float64)
    return float(np.mean(chosen)) if chosen.size >= FEWEST_PIXELS else float("nan")
