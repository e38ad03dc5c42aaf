"""Least-squares reconstruction of the samples of a tile: each plane the spline that fits its own samples best.

Unlike drops, which blur by their own size, the fit undoes what sampling did; noise stays white.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from fourlight.core import bspline, lsq, samples, stencil
from fourlight.core.cfa import PLANES
from fourlight.engine import nothing
from fourlight.stages.geometry import HALO, FrameTable
from fourlight.stages.noise_check import SEED
from fourlight.stages.stack_layers import GROUPS, OUTPUT_PLANES, PlaneLayers, Sums
from fourlight.stages.tile_samples import TileSamples

__all__ = ["LeastSquares"]

Float32 = npt.NDArray[np.float32]

FINE_BELOW_PX = 2.5
"""Star width under which samples are gathered on thirds of a pixel instead of halves."""

THIN = 0.05
"""Share of the weight per pixel of the faintest frame under which a pixel is not covered."""

RIDGE = 1e-3
"""Pull towards zero of pixels that are not covered, in units of the same weight."""

FEW = 2.5
"""Samples per pixel under which smoothness takes over."""

MISFIT = 0.02
"""Share of the local range by which the spline may miss a sample: sharp stars hold detail finer than its grid, and
frames differ in seeing. Taken at full weight, such samples in a star's core raise rings around it."""

REACH_STEPS = 4
"""Steps towards the noise of sums over areas: after three the mean VAR is within 0.2 per cent of that after thirty."""

RIM = 2
"""Outermost rows and columns of a tile with its halo that are treated as not covered."""

WHOLE = 0.9
"""Share of the weight from which a pixel counts for that: where more of the light is given back, noise is shared."""

PATCH_PX = 128
"""Side of the patch on which the scatter of single pixels is found."""


@dataclass(slots=True)
class _System:
    """Normal equations of one plane and half, or of sums of them."""

    layers: Float32
    right: Float32
    sums: Float32
    """See `fourlight.core.lsq.assembled`."""
    parts: list[tuple[Float32, Float32]]
    """Fine cells, and the share of its weight (ph, pw) that a sample in them keeps in the fit."""

    def __add__(self, other: _System) -> _System:
        return _System(
            self.layers + other.layers,
            self.right + other.right,
            self.sums + other.sums,
            self.parts + other.parts,
        )


class LeastSquares:
    """The spline that fits the samples of each plane best.

    Parameters
    ----------
    table : FrameTable
    told : callable
        Called after each of the `STEPS` steps of a tile: the equations of a plane, or one of its fits.
    whole : FrameTable or None
        All frames of the stack, where ``table`` holds only those that are added to earlier sums.
    """

    FIXED_BYTES: ClassVar[dict[int, int]] = {2: 1700, 3: 2400}
    """Memory per pixel of a tile that does not depend on the number of frames, by fine cells along a pixel."""
    STEPS: ClassVar[int] = len(PLANES) + 3 * len(OUTPUT_PLANES)

    def __init__(
        self, table: FrameTable, told: Callable[[], None] = nothing, whole: FrameTable | None = None
    ) -> None:
        self._told = told
        self.fine = self.fineness(table)
        whole = whole or table
        # A plane has one sample in four of a frame's pixels.
        self._least = whole.density.min(axis=0) / 4
        self._usual = np.median(whole.weight / whole.merit, axis=0)

    @staticmethod
    def fineness(table: FrameTable) -> int:
        """Fine cells along a pixel of the stack."""
        return 3 if table.fwhm_px.min() < FINE_BELOW_PX else 2

    def planes(
        self, found: TileSamples, ref: Float32, table: FrameTable, earlier: Sums | None = None,
        kept: Sums | None = None,
    ) -> dict[str, PlaneLayers]:  # fmt: skip
        """All output planes of a tile; the fit starts from the reference."""
        out: dict[str, PlaneLayers] = {}
        for group in GROUPS:
            indices = [PLANES.index(name) for name in group]
            systems = {}
            for n, c in zip(group, indices, strict=True):
                cells = _cells(found, ref[c], table, c, self.fine, earlier[n] if earlier else None)
                systems[n] = _systems(cells, ref[c], float(self._usual[c]))
                self._told()
                if kept is not None:
                    kept[n] = cells
            if len(group) > 1:
                systems["G"] = [systems["G1"][h] + systems["G2"][h] for h in range(2)]
            starts = {n: [_filled(ref[c], table.level[c])] for n, c in zip(group, indices, strict=True)}
            width, least = float(table.fwhm_px[indices[0]]), float(self._least[indices[0]])
            for name, pair in systems.items():
                begun = starts.get(name) or _between(starts["G1"], starts["G2"])
                out[name], starts[name] = _plane(pair, begun, width, least, self._told)
        return out


def _cells(
    found: TileSamples, ref: Float32, table: FrameTable, plane: int, fine: int, earlier: list[Float32] | None
) -> list[Float32]:
    """Fine cells of one plane, those of each half; see `fourlight.core.lsq.gathered`."""
    ph, pw = found.padded_shape
    shape = (ph * fine, pw * fine, lsq.SUMS)
    out = earlier or [np.zeros(shape, dtype=np.float32) for _ in range(2)]
    for k, f in enumerate(found.frames):
        lsq.gathered(
            *found.values(k), found.bad[k], *found.origin(k), table.bend[f, plane], table.cell[f], plane,
            table.floor[f, plane], table.level[plane], table.merit[f, plane], ref, *found.offset, fine,
            out[int(table.half[f])],
        )  # fmt: skip
    return out


def _systems(halves: list[Float32], ref: Float32, weight: float) -> list[_System]:
    """Normal equations of one plane, one for each half; ``weight`` is that of a usual sample."""
    misfit = np.square(np.float32(MISFIT) * samples.spread(ref))
    kept = lsq.kept_share(misfit, weight)
    out = []
    for cells in halves:
        system = _System(
            np.zeros((stencil.LAYERS, *ref.shape), dtype=np.float32),
            np.zeros(ref.shape, dtype=np.float32),
            np.zeros((3, *ref.shape), dtype=np.float32),
            [(cells, kept)],
        )
        lsq.assembled(cells, kept, system.layers, system.right, system.sums)
        out.append(system)
    return out


def _filled(ref: Float32, level: float) -> Float32:
    return np.where(np.isfinite(ref), ref, np.float32(level)).astype(np.float32)


def _between(first: list[Float32], second: list[Float32]) -> list[Float32]:
    return [np.float32(0.5) * (one + other) for one, other in zip(first, second, strict=True)]


def _plane(
    halves: list[_System], starts: list[Float32], width: float, least: float, told: Callable[[], None]
) -> tuple[PlaneLayers, list[Float32]]:
    """Layers of one plane, and its fits: of all samples, and of each half.

    They start from ``starts``, those of the halves from the whole where it stands alone.
    """
    inner = (slice(HALO, -HALO), slice(HALO, -HALO))
    whole = halves[0] + halves[1]
    value, power, covered, noise = _solved(whole, starts[0], width, least, probe=True)
    told()
    weight, squares = _sums(whole)
    layers = {
        "value": np.where(covered, bspline.at_pixels(value), np.nan),
        "variance": np.where(covered, power, np.nan),
        "samples": np.where(covered & (squares > 0), weight**2 / np.maximum(squares, 1e-30), 0.0),
    }
    fits = [value]
    for k, half in enumerate("ab"):
        start = starts[k + 1] if len(starts) > 1 else value
        part, power, there, _ = _solved(halves[k], start, width, least, probe=False)
        told()
        fits.append(part)
        layers[f"value_{half}"] = np.where(there, bspline.at_pixels(part), np.nan)
        layers[f"variance_{half}"] = np.where(there, power, np.nan)
    return PlaneLayers({name: layer[inner].astype(np.float32) for name, layer in layers.items()}, noise), fits


def _solved(
    system: _System, start: Float32, width: float, least: float, *, probe: bool
) -> tuple[Float32, Float32, npt.NDArray[np.bool_], tuple[float, int]]:
    """Coefficients, noise power, coverage, and pixel variance over VAR on a patch (with ``probe``)."""
    weight, squares = _sums(system)
    thin = np.float32(THIN * least)
    covered = weight > thin
    # The outermost coefficients lack the samples beyond the tile, and would take any value.
    covered[:RIM], covered[-RIM:], covered[:, :RIM], covered[:, -RIM:] = False, False, False, False
    if not covered.any():
        return start, np.zeros_like(start), covered, (0.0, 0)
    number = np.where(covered, weight**2 / np.maximum(squares, 1e-30), 1.0)
    fitted = np.maximum(weight * np.mean([kept for _, kept in system.parts], axis=0), thin)
    layers = system.layers.copy()
    stencil.add_smoothness(layers, (fitted * _strength(width, number)).astype(np.float32))
    layers[0][~covered] += np.float32(RIDGE * least)
    inverse = stencil.preconditioner(layers)
    value, _ = stencil.solve(layers, system.right, start, inverse)
    # Light that the fit leaves out goes to the coefficients around it. Lowered weights alone would change the light
    # of middling stars by up to two per cent.
    given = np.where(covered, 1 / np.maximum(system.sums[0], thin), 0).astype(np.float32)
    light, taken = np.zeros_like(start), np.zeros_like(start)
    for cells, kept in system.parts:
        lsq.left_out(cells, kept, value, given, light, taken)
    value += given * light
    ones = covered - taken
    reach, _ = stencil.solve(layers, ones, (ones / fitted).astype(np.float32), inverse, most=REACH_STEPS)
    power = np.zeros_like(start)
    for cells, kept in system.parts:
        lsq.noise_power(cells, kept, reach, given, power)
    return value, power, covered, _probed(system, layers, power, weight) if probe else (0.0, 0)


def _strength(width_px: float, samples: Float32) -> Float32:
    """Smoothness over weight: stronger for broad stars, which lose nothing by it, and where samples are few."""
    usual = float(np.clip(4e-5 * width_px**4, 1e-4, 1e-2))
    return np.asarray(usual * (1 + (FEW / np.maximum(samples, 0.25)) ** 2), dtype=np.float32)


def _sums(system: _System) -> tuple[Float32, Float32]:
    """Sums of weights and of squared weights per pixel, smoothed as the spline does."""
    return bspline.at_pixels(system.sums[1]), bspline.at_pixels(system.sums[2])


def _probed(system: _System, layers: Float32, power: Float32, weight: Float32) -> tuple[float, int]:
    """Variance of single pixels over VAR, from pure noise of the expected size sent through the fit."""
    ny, nx = power.shape
    side = min(PATCH_PX, ny, nx)
    y0, x0 = (ny - side) // 2, (nx - side) // 2
    part = (slice(y0, y0 + side), slice(x0, x0 + side))
    random = np.random.default_rng(SEED)
    right = np.zeros_like(power)
    for cells, kept in system.parts:
        fine = cells.shape[0] // ny
        near = cells[y0 * fine : (y0 + side) * fine, x0 * fine : (x0 + side) * fine].copy()
        share = kept[part].repeat(fine, axis=0).repeat(fine, axis=1)
        drawn = np.sqrt(near[..., 4]) * random.standard_normal(near.shape[:2]) * share
        lsq.scattered(near, drawn.astype(np.float32), right)
    local = np.ascontiguousarray(layers[:, part[0], part[1]])
    start = np.zeros((side, side), dtype=np.float32)
    noise, _ = stencil.solve(local, np.ascontiguousarray(right[part]), start, stencil.preconditioner(local))
    rim = (slice(8, -8), slice(8, -8))
    image, expected = bspline.at_pixels(noise)[rim], power[part][rim]
    whole = np.min([kept for _, kept in system.parts], axis=0)[part][rim]
    # Beyond the rim of the frames there is next to no VAR, and no noise of the kind.
    good = (whole > WHOLE) & (weight[part][rim] > np.float32(0.5) * weight.max())
    if not good.any():
        return 0.0, 0
    number = int(good.sum())
    return number * float(np.square(image[good]).sum() / expected[good].sum()), number
