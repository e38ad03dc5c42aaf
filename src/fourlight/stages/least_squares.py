"""Least-squares reconstruction of the samples of a tile: each plane the spline that fits its own samples best.

Unlike drops, which blur by their own size, the fit undoes what sampling did; noise stays white.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core import bspline, lsq, stencil
from fourlight.core.cfa import PLANES
from fourlight.stages.geometry import HALO, FrameTable
from fourlight.stages.tile_samples import TileSamples

__all__ = ["least_squares_planes"]

Float32 = npt.NDArray[np.float32]
Int64 = npt.NDArray[np.int64]

THIN = 0.02
"""Pixels with less of the usual weight are not covered."""
RIDGE = 1e-3
PATCH_PX = 128
"""Side of the patch on which the scatter of single pixels is found."""
SEED = 20

GROUPS = (("R",), ("G1", "G2"), ("B",))


@dataclass(slots=True)
class _System:
    """Normal equations of one plane and half, or of sums of them."""

    layers: Float32
    right: Float32
    cells: list[Float32]

    def __add__(self, other: _System) -> _System:
        return _System(self.layers + other.layers, self.right + other.right, self.cells + other.cells)


def least_squares_planes(
    found: TileSamples, ref: Float32, table: FrameTable, cell: Int64, fine: int
) -> tuple[dict[str, dict[str, Float32]], dict[str, tuple[float, int]]]:
    """Layers of all output planes of a tile, and the scatter of their single pixels over VAR.

    Parameters
    ----------
    found : TileSamples
        Samples with their rejection masks.
    ref : (4, ph, pw) float32
        Robust reference; the fit starts from it.
    table : FrameTable
    cell : (2, 2) int64
    fine : int
        Cells per pixel and axis on which samples are gathered.
    """
    layers: dict[str, dict[str, Float32]] = {}
    pixel_noise: dict[str, tuple[float, int]] = {}
    for group in GROUPS:
        systems = {name: _systems(found, ref, table, cell, PLANES.index(name), fine) for name in group}
        starts = {name: _filled(ref[PLANES.index(name)], table.level[PLANES.index(name)]) for name in group}
        if len(group) > 1:
            systems["G"] = [systems["G1"][h] + systems["G2"][h] for h in range(2)]
            starts["G"] = np.float32(0.5) * (starts["G1"] + starts["G2"])
        for name, pair in systems.items():
            width = float(table.fwhm_px[PLANES.index("G1" if name == "G" else name)])
            layers[name], pixel_noise[name] = _plane(pair, starts[name], width)
    return layers, pixel_noise


def _systems(
    found: TileSamples, ref: Float32, table: FrameTable, cell: Int64, plane: int, fine: int
) -> list[_System]:
    """Normal equations of one plane, one for each half."""
    ph, pw = found.padded_shape
    out = []
    for half in range(2):
        cells = np.zeros((ph * fine, pw * fine, lsq.LANES), dtype=np.float32)
        for k, f in enumerate(found.frames):
            if table.half[f] == half:
                lsq.gathered(
                    *found.values(k), found.bad[k], *found.origin(k), table.matrix[f], cell, plane,
                    table.floor[f, plane], table.level[plane], ref[plane], *found.offset, fine, cells,
                )  # fmt: skip
        system = _System(
            np.zeros((stencil.LAYERS, ph, pw), dtype=np.float32),
            np.zeros((ph, pw), dtype=np.float32),
            [cells],
        )
        lsq.assembled(cells, system.layers, system.right)
        out.append(system)
    return out


def _filled(ref: Float32, level: float) -> Float32:
    return np.where(np.isfinite(ref), ref, np.float32(level)).astype(np.float32)


def _plane(
    halves: list[_System], start: Float32, width: float
) -> tuple[dict[str, Float32], tuple[float, int]]:
    inner = (slice(HALO, -HALO), slice(HALO, -HALO))
    whole = halves[0] + halves[1]
    value, power, covered, ratio = _solved(whole, start, width, probe=True)
    weight, squares = (_summed(whole.cells, lane, start.shape) for lane in (0, 5))
    layers = {
        "value": np.where(covered, bspline.at_pixels(value), np.nan),
        "variance": np.where(covered, power, np.nan),
        "samples": np.where(covered & (squares > 0), weight**2 / np.maximum(squares, 1e-30), 0.0),
    }
    for half, system in zip("ab", halves, strict=True):
        part, power, there, _ = _solved(system, value, width, probe=False)
        layers[f"value_{half}"] = np.where(there, bspline.at_pixels(part), np.nan)
        layers[f"variance_{half}"] = np.where(there, power, np.nan)
    return {name: layer[inner].astype(np.float32) for name, layer in layers.items()}, ratio


def _solved(
    system: _System, start: Float32, width: float, *, probe: bool
) -> tuple[Float32, Float32, npt.NDArray[np.bool_], tuple[float, int]]:
    """Coefficients, noise power, coverage, and pixel variance over VAR on a patch (with ``probe``)."""
    nothing = (0.0, 0)
    weight = _summed(system.cells, 0, start.shape)
    usual = float(np.median(weight[weight > 0])) if (weight > 0).any() else 0.0
    covered = weight > THIN * usual
    if usual == 0.0:
        return start, np.zeros_like(start), covered, nothing
    squares = _summed(system.cells, 5, start.shape)
    number = float(np.median((weight**2 / np.maximum(squares, 1e-30))[covered]))
    layers = system.layers.copy()
    stencil.add_smoothness(layers, usual * _strength(width, number))
    layers[0][~covered] += np.float32(RIDGE * usual)
    inverse = stencil.preconditioner(layers)
    value, _ = stencil.solve(layers, system.right, start, inverse)
    ones = covered.astype(np.float32)
    guess = (ones / np.maximum(weight, THIN * usual)).astype(np.float32)
    reach, _ = stencil.solve(layers, ones, guess, inverse)
    power = np.zeros_like(start)
    for cells in system.cells:
        lsq.noise_power(cells, reach, power)
    return value, power, covered, _probed(system, layers, power) if probe else nothing


def _strength(width_px: float, samples: float) -> float:
    """Weight of smoothness: stronger for broad stars, which lose nothing by it, and for few samples."""
    return float(np.clip(4e-5 * width_px**4, 1e-4, 1e-2)) * (1 + (2.5 / max(samples, 0.1)) ** 2)


def _summed(parts: list[Float32], lane: int, shape: tuple[int, ...]) -> Float32:
    """One lane of the fine cells per pixel, smoothed as the spline does."""
    total = np.add.reduce([cells[..., lane] for cells in parts])
    fine = total.shape[0] // shape[0]
    return bspline.at_pixels(total.reshape(shape[0], fine, shape[1], fine).sum(axis=(1, 3)))


def _probed(system: _System, layers: Float32, power: Float32) -> tuple[float, int]:
    """Variance of single pixels over VAR, from pure noise of the expected size sent through the fit."""
    ny, nx = power.shape
    side = min(PATCH_PX, ny, nx)
    y0, x0 = (ny - side) // 2, (nx - side) // 2
    part = (slice(y0, y0 + side), slice(x0, x0 + side))
    random = np.random.default_rng(SEED)
    right = np.zeros_like(power)
    for cells in system.cells:
        noise = (np.sqrt(cells[..., 4]) * random.standard_normal(cells.shape[:2])).astype(np.float32)
        lsq.scattered(cells, noise, right)
    local = np.ascontiguousarray(layers[:, part[0], part[1]])
    start = np.zeros((side, side), dtype=np.float32)
    noise, _ = stencil.solve(local, np.ascontiguousarray(right[part]), start, stencil.preconditioner(local))
    rim = (slice(8, -8), slice(8, -8))
    image, expected = bspline.at_pixels(noise)[rim], power[part][rim]
    good = expected > 0
    if not good.any():
        return 0.0, 0
    return float(np.mean(image[good] ** 2 / expected[good])) * image.size, image.size
