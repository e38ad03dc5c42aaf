"""Signal over noise of two stacks of the same place, before and after: by what their half stacks disagree about.

Noise is measured, not taken from a model: half the difference of two half stacks has the noise of their mean and no
light. It is told of patches, as blocks of pixels show it, in the empty sky (which is what faint light stands against)
and on the object (whose own photons are noise too).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core import maps
from fourlight.core.trials import Trial, doubted, jackknife
from fourlight.stages.region_samples import StackReader

__all__ = ["Blocks", "Gain", "Regions", "compared", "regions_on", "seen_blocks"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

BLOCK_PX = 4
"""Side of a block: noise of neighbouring pixels of a stack is correlated, that of means of blocks hardly."""
FEWEST = 200
"""Blocks of a region from which on its noise is told (to 5 %)."""
PARTS = 24
"""Stretches of the picture that are left out one after the other, for intervals."""
CUT = 5.0
"""Differences beyond so many sigma are no noise: stars that moved, tracks in one half."""


@dataclass(frozen=True, slots=True)
class Regions:
    """Pixels (ny, nx) of a stack that show empty sky, and the object; stars are in neither."""

    sky: Bool
    object: Bool


def regions_on(regions: Regions, shape: tuple[int, int], back: Float64) -> Regions:
    """The same places on another stack.

    Parameters
    ----------
    regions : Regions
    shape : (int, int)
        Of the other stack.
    back : (2, 3) float64
        From its pixels to those of the first.
    """
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float64)
    there_x, there_y = (np.rint(part).astype(int) for part in maps.apply(back, x, y))
    ny, nx = regions.sky.shape
    inside = (there_x >= 0) & (there_x < nx) & (there_y >= 0) & (there_y < ny)
    at = np.clip(there_y, 0, ny - 1), np.clip(there_x, 0, nx - 1)
    return Regions(inside & regions.sky[at], inside & regions.object[at])


@dataclass(frozen=True, slots=True)
class Blocks:
    """Blocks of one plane: light above the sky, half the difference of the halves, where they are; all (n,)."""

    light: Float64
    half: Float64
    object: Bool
    """Whether they lie on the object; the others are sky."""
    part: npt.NDArray[np.int64]
    """Stretch of the picture, 0 to `PARTS` - 1."""


def seen_blocks(layers: StackReader, plane: str, regions: Regions, side: int = BLOCK_PX) -> Blocks:
    """Blocks of one plane of a stack that lie in one region as a whole, ``side`` pixels along theirs."""
    value, half_a, half_b = (layers.read(plane, name) for name in ("value", "value_a", "value_b"))
    light, away = _means(value, side), _means((half_a - half_b) / 2, side)
    sky = _means(regions.sky.astype(np.float32), side) == 1
    thing = _means(regions.object.astype(np.float32), side) == 1
    known = np.isfinite(light) & np.isfinite(away) & (sky | thing)
    j, i = np.nonzero(known)
    light, away, thing = light[known], away[known], thing[known]
    design = _surface(j, i, known.shape)
    # halves have skies of their own; what they differ by evenly over the field is not noise of patches
    if (~thing).any():
        away = away - design @ np.linalg.lstsq(design, away, rcond=None)[0]
        light = light - float(np.median(light[~thing]))
    part = np.minimum(j * PARTS // known.shape[0], PARTS - 1)
    return Blocks(light, away, thing, part)


def _means(plane: npt.NDArray[Any], side: int) -> Float64:
    ny, nx = (size // side for size in plane.shape)
    whole = plane[: ny * side, : nx * side].astype(np.float64)
    return np.asarray(whole.reshape(ny, side, nx, side).mean(axis=(1, 3)))


def _surface(j: npt.NDArray[np.int64], i: npt.NDArray[np.int64], shape: tuple[int, ...]) -> Float64:
    """(n, 6) terms of a surface of the second order."""
    y, x = 2 * j / max(shape[0] - 1, 1) - 1, 2 * i / max(shape[1] - 1, 1) - 1
    return np.stack([np.ones(len(x)), x, y, x * x, x * y, y * y], axis=1)


@dataclass(frozen=True, slots=True)
class Gain:
    """One channel, or all together, before and after."""

    noise: tuple[float | None, float | None]
    """Of a block of empty sky, in the light of the first stack; None of all channels together."""
    snr: tuple[float | None, float | None]
    """Of a block of the object, 0 where it has no light; None where no object is seen."""
    faint: Trial | None
    """SNR of faint light after over that before; None where too little sky, or no light, is left."""
    bright: Trial | None
    """The same of the object, whose own photons are noise too."""


@dataclass(frozen=True, slots=True)
class _Sums:
    """Of the blocks of one plane, by region (sky, object) and part of the picture."""

    count: Float64
    square: Float64
    """Both (2, parts)."""
    light: float
    """Mean light of the object; NaN where none is seen."""

    @classmethod
    def of(cls, blocks: Blocks, scale: float) -> _Sums:
        """Sums in the light of the first stack, outliers left out."""
        count, square = np.zeros((2, PARTS)), np.zeros((2, PARTS))
        for k, here in enumerate((~blocks.object, blocks.object)):
            away, part = blocks.half[here] * scale, blocks.part[here]
            usual = 1.4826 * float(np.median(np.abs(away))) if len(away) else 0.0
            fine = np.abs(away) <= CUT * usual
            count[k] = np.bincount(part[fine], minlength=PARTS)
            square[k] = np.bincount(part[fine], away[fine] ** 2, minlength=PARTS)
        light = float(blocks.light[blocks.object].mean()) * scale if blocks.object.any() else float("nan")
        return cls(count, square, light)

    def noise(self, region: int, without: int | None = None) -> float | None:
        """Of a block; None where there are too few."""
        use = np.arange(PARTS) != without
        count = float(self.count[region, use].sum())
        return float(np.sqrt(self.square[region, use].sum() / count)) if count >= FEWEST else None


def compared(
    before: Mapping[str, Blocks], after: Mapping[str, Blocks], scale: Mapping[str, float],
    doubt: float = 0.0,
) -> dict[str, Gain]:  # fmt: skip
    """Every channel, and ``all`` of them together.

    Together, squares of SNR add up. A channel counts by the light that the object has in it in the first stack, one
    in which it has none not at all; where no object is seen in any, all channels count alike.

    Parameters
    ----------
    before, after : mapping of channel to Blocks
        A channel that is left out is in ``before`` alone.
    scale : mapping of channel to float
        What light of one unit of the second stack is in units of the first.
    doubt : float
        Error of that, as a part; it widens all intervals.
    """
    one = {name: _Sums.of(blocks, 1.0) for name, blocks in before.items()}
    two = {name: _Sums.of(blocks, scale[name]) for name, blocks in after.items()}
    light = {name: float(np.maximum(sums.light, 0.0)) for name, sums in one.items()}
    if not any(value > 0 for value in light.values()):
        light = dict.fromkeys(light, float("nan"))
    known = all(np.isfinite(value) for value in light.values())
    weight = light if known else {name: sums.noise(0) or 1.0 for name, sums in one.items()}
    # how noise of one channel changed does not rest on its light
    out = {name: _gain({name: one[name]}, {name: two[name]}, light, {name: 1.0}) for name in two}
    out["all"] = _gain(one, two, light, weight)
    return {name: replace(gain, faint=_wider(gain.faint, doubt), bright=_wider(gain.bright, doubt))
            for name, gain in out.items()}  # fmt: skip


def _wider(trial: Trial | None, doubt: float) -> Trial | None:
    return doubted(trial, doubt * trial.value, 1.0) if trial is not None and doubt > 0 else trial


def _gain(
    one: Mapping[str, _Sums], two: Mapping[str, _Sums], light: Mapping[str, float],
    weight: Mapping[str, float],
) -> Gain:  # fmt: skip
    seen = all(np.isfinite(light[name]) for name in one)
    alone = next(iter(one)) if len(one) == 1 else None
    return Gain(
        (one[alone].noise(0), two[alone].noise(0)) if alone else (None, None),
        (_snr(one, light, 1), _snr(two, light, 1)) if seen else (None, None),
        _ratio(one, two, weight, 0),
        _ratio(one, two, weight, 1),
    )


def _snr(
    sums: Mapping[str, _Sums], light: Mapping[str, float], region: int, without: int | None = None
) -> float | None:
    """Of a block with this light against the noise of a region, channels together."""
    total = 0.0
    for name, each in sums.items():
        noise = each.noise(region, without)
        if not noise:
            return None
        total += (light[name] / noise) ** 2
    return float(np.sqrt(total))


def _ratio(
    one: Mapping[str, _Sums], two: Mapping[str, _Sums], weight: Mapping[str, float], region: int
) -> Trial | None:
    """SNR after over before; its error from leaving out parts of the picture that hold blocks of the region.

    ``weight`` is light that channels count by, or their noise where no object is seen. None where noise is not told, or
    where the channels that are left hold no light.
    """

    def over(without: int | None) -> float | None:
        before, after = (_snr(sums, weight, region, without) for sums in (one, two))
        return None if before is None or after is None else after / before

    whole = over(None)
    if not whole:
        return None
    held = next(iter(one.values())).count[region]
    parts = [int(k) for k in np.flatnonzero(held)]
    found = [(value, held[k] / held.sum()) for k in parts if (value := over(k)) is not None]
    return jackknife(whole, [value for value, _ in found], 1.0, share=[share for _, share in found])
