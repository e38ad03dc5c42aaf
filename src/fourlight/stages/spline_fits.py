"""Fits of the planes of a tile by least squares, once their samples are equations."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core import bspline, lowered, reach, stencil
from fourlight.core.nearinverse import near_inverse
from fourlight.stages.geometry import HALO
from fourlight.stages.noise_check import SEED
from fourlight.stages.spline_samples import Room
from fourlight.stages.stack_layers import PlaneLayers

__all__ = ["Fit", "fitted_plane"]

Float32 = npt.NDArray[np.float32]

THIN = 0.05
"""Share of the weight per pixel of the faintest frame under which a pixel is not covered."""

RIDGE = 1e-3
"""Pull towards zero of pixels that are not covered, in units of the same weight."""

FEW = 2.5
"""Samples per pixel under which smoothness takes over."""

REACH_STEPS = 4
"""Steps towards the noise of sums over areas: the mean VAR is within 0.4 per cent of that after forty, of which one to
three steps stay away by up to 3."""

SOLVED = 0.015
"""Error of the solution over its noise at which to stop. At 0.02 stars of 4,000 electrons are 0.07 per cent off bright
ones, by what is left of the start."""

MOST_STEPS = 30

RIM = 2
"""Outermost rows and columns of a tile with its halo that are treated as not covered."""

WHOLE = 0.9
"""Share of the weight from which a pixel counts for that: where more of the light is given back, noise is shared."""

PATCH_PX = 96
"""Side of the patch on which the scatter of single pixels is found."""


@dataclass(frozen=True, slots=True)
class Fit:
    """What all fits of a plane have in common."""

    room: Room
    width: float
    """Of stars, pixels."""
    least: float
    """Weight per pixel of the faintest frame."""
    merit: float
    """Weight of a usual sample times its variance."""
    bounds: list[tuple[Float32, Float32]]
    """Least and most light beside full samples of its planes, as far as there are such."""

    def at_pixels(self, fitted: Float32) -> Float32:
        """A fit at the pixels."""
        image = bspline.at_pixels(fitted)
        if self.bounds:
            image = np.maximum(image, np.min([least for least, _ in self.bounds], axis=0))
            image = np.minimum(image, np.max([most for _, most in self.bounds], axis=0))
        return image


def fitted_plane(
    fit: Fit, parts: list[int], starts: list[Float32], told: Callable[[], None]
) -> tuple[PlaneLayers, list[Float32]]:
    """Layers of one plane, and its fits: of all samples, and of each half.

    ``parts`` are the numbers of its first halves. The fits start from ``starts``, those of the halves from the whole
    where it stands alone.
    """
    inner = (slice(HALO, -HALO), slice(HALO, -HALO))
    value, power, covered, noise = _solved(
        fit, [p + half for p in parts for half in range(2)], starts[0], probe=True
    )
    told()
    weight, _, squares = fit.room.sums[-1]
    layers = {
        "value": np.where(covered, fit.at_pixels(value), np.nan),
        "variance": np.where(covered, power, np.nan),
        "samples": np.where(covered & (squares > 0), weight**2 / np.maximum(squares, 1e-30), 0.0),
    }
    fits = [value]
    for k, half in enumerate("ab"):
        # Where the plane stands alone, what one half has more than the whole the other one has less.
        start = starts[k + 1] if len(starts) > 1 else value if k == 0 else 2 * value - fits[1]
        part, power, there, _ = _solved(fit, [p + k for p in parts], start, probe=False)
        told()
        fits.append(part)
        layers[f"value_{half}"] = np.where(there, fit.at_pixels(part), np.nan)
        layers[f"variance_{half}"] = np.where(there, power, np.nan)
    return PlaneLayers({name: layer[inner].astype(np.float32) for name, layer in layers.items()}, noise), fits


def _solved(
    fit: Fit, parts: list[int], start: Float32, *, probe: bool
) -> tuple[Float32, Float32, npt.NDArray[np.bool_], tuple[float, int]]:
    """Coefficients, noise power, coverage, and pixel variance over VAR on a patch (with ``probe``)."""
    room = fit.room
    room.join(parts)
    layers, (weight, kept, squares) = room.layers[-1], room.sums[-1]
    thin = np.float32(THIN * fit.least)
    covered = weight > thin
    # The outermost coefficients lack the samples beyond the tile, and would take any value.
    covered[:RIM], covered[-RIM:], covered[:, :RIM], covered[:, -RIM:] = False, False, False, False
    if not covered.any():
        return start, np.zeros_like(start), covered, (0.0, 0)
    number = np.where(covered, weight**2 / np.maximum(squares, 1e-30), 1.0)
    fitted = np.maximum(kept, thin)
    stencil.add_smoothness(layers, (fitted * _strength(fit.width, number)).astype(np.float32))
    layers[:, 0, stencil.RIM : -stencil.RIM][~covered] += np.float32(RIDGE * fit.least)
    inverse = near_inverse(layers)
    enough = SOLVED**2 * fit.merit * float(covered.sum())
    # Light that the fit leaves out goes to the coefficients around it. Lowered weights alone would change the light
    # of middling stars by up to two per cent.
    given = np.where(covered, 1 / np.maximum(weight, thin), 0).astype(np.float32)
    light, taken = np.zeros_like(start), np.zeros_like(start)
    for part in parts:
        lowered.left_out(room.cells[part], room.kept[part], given, False, taken)
    ones = covered - taken
    (value, reached), _ = stencil.solve(
        layers, np.stack([room.right[-1], ones]), np.stack([start, ones / fitted]), inverse,
        enough=(enough, 0.0), most=(MOST_STEPS, REACH_STEPS),
    )  # fmt: skip
    for part in parts:
        lowered.left_out(room.cells[part], room.kept[part], value, True, light)
    value += given * light
    power = np.zeros_like(start)
    reach.noise_power(room.cells, room.kept, np.array(parts), reached, given, power)
    return value, power, covered, _probed(fit, parts, power) if probe else (0.0, 0)


def _strength(width_px: float, samples: Float32) -> Float32:
    """Smoothness over weight: stronger for broad stars, which lose nothing by it, and where samples are few."""
    usual = float(np.clip(4e-5 * width_px**4, 1e-4, 1e-2))
    return np.asarray(usual * (1 + (FEW / np.maximum(samples, 0.25)) ** 2), dtype=np.float32)


def _probed(fit: Fit, parts: list[int], power: Float32) -> tuple[float, int]:
    """Variance of single pixels over VAR, from pure noise of the expected size sent through the fit."""
    room = fit.room
    ny, nx = power.shape
    side = min(PATCH_PX, ny, nx)
    y0, x0 = (ny - side) // 2, (nx - side) // 2
    patch = (slice(y0, y0 + side), slice(x0, x0 + side))
    random = np.random.default_rng(SEED)
    right = np.zeros((side, side), dtype=np.float32)
    for part in parts:
        near = room.cells[part][patch[0], :, :, patch[1]]
        drawn = np.sqrt(near[:, :, 4]) * random.standard_normal(near[:, :, 4].shape) * near[:, :, 5]
        lowered.scattered(near, drawn.astype(np.float32), right)
    local = room.layers[-1, patch[0], :, x0 : x0 + side + 2 * stencil.RIM].copy()
    local[..., : stencil.RIM], local[..., -stencil.RIM :] = 0, 0
    enough = SOLVED**2 * fit.merit * side**2
    (noise,), _ = stencil.solve(
        local,
        right[None],
        np.zeros((1, side, side), np.float32),
        near_inverse(local),
        enough=[enough],
        most=[MOST_STEPS],
    )
    rim = (slice(8, -8), slice(8, -8))
    image, expected, weight = bspline.at_pixels(noise)[rim], power[patch][rim], room.sums[-1, 0]
    whole = room.kept[parts].min(axis=0)[patch][rim]
    # Beyond the rim of the frames there is next to no VAR, and no noise of the kind.
    good = (whole > WHOLE) & (weight[patch][rim] > np.float32(0.5) * weight.max())
    if not good.any():
        return 0.0, 0
    number = int(good.sum())
    return number * float(np.square(image[good]).sum() / expected[good].sum()), number
