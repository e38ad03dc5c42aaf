"""The level of no light, and the level at which samples are full."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from fourlight.core.saturation import full_level
from fourlight.frames import NoiseModel, RawFrame
from fourlight.io.pixels import PixelSource
from fourlight.stages.banding import bands
from fourlight.stages.bench import Bench
from fourlight.stages.defect_map import spread_over
from fourlight.stages.gain import Survey
from fourlight.stages.masters import Master, patches
from fourlight.stages.noise_model import pedestal_from_lights
from fourlight.stages.offsets import Offset, master_level

__all__ = ["find_full", "known_pedestal", "with_pedestal"]


def known_pedestal(offsets: Sequence[Offset]) -> tuple[float | None, str]:
    """Level of no light that bias, dark, recipe or header give, ADU, and which of them."""
    for offset in sorted(offsets, key=lambda o: o.how != "bias"):
        if isinstance(offset.value, Master):
            return master_level(offset.value), "bias" if offset.how == "bias" else "dark"
        if offset.how != "none":
            return offset.value, offset.how
    return None, "unknown"


def with_pedestal(
    noise: NoiseModel,
    offsets: list[Offset],
    lights: Sequence[RawFrame],
    seen: Survey,
    flats: bool,
    bench: Bench,
) -> tuple[NoiseModel, list[Offset]]:
    """Model and offsets with a level of no light from the lights where nothing else gave one."""
    if noise.pedestal_adu is not None:
        return noise, offsets
    level = pedestal_from_lights(seen, noise.read_noise_e, noise.gain_e_per_adu)
    if level is not None:
        sentence = (
            f"Level of no light {level:.0f} ADU, where the variance of the lights falls to that of reading"
        )
        if noise.read_noise_e is None:
            gain = noise.gain_e_per_adu or 1.0
            sentence += f"; read noise taken as 0, one of 3 e would raise it by {9 / gain:.1f} ADU"
        bench.note(sentence + ".")
    elif flats:
        level = _darkest(lights, bench)
        bench.note(
            f"Level of no light unknown; {level:.0f} ADU taken, the darkest thousandth of the lights, so flats"
            " correct too little. Bias frames would tell, or --set read.black_adu=LEVEL."
        )
    else:
        bench.note(
            "Level of no light unknown: sky levels include it. Bias frames would tell, or --set read.black_adu=LEVEL."
        )
        return noise, offsets
    noise = replace(noise, pedestal_adu=level, pedestal_source="lights")
    return noise, [Offset(level, "lights") if o.how == "none" else o for o in offsets]


def find_full(lights: Sequence[RawFrame], bench: Bench) -> None:
    """Look for the pile of full samples at the bright end of a few lights and keep its level."""
    looked = [_full_of(bench.open_source(light)) for light in spread_over(lights, 4)]
    found = [level for level in looked if level is not None]
    said = min((f.saturation_adu for f in lights if f.saturation_adu is not None), default=None)
    if not found or bench.read.saturation_adu is not None:
        return
    bench.full_adu, count = min(found)
    if said is None or bench.full_adu < 0.98 * said:
        bench.note(
            f"Samples are full at {bench.full_adu:.0f} ADU, where {count} of one light pile up; "
            + ("the files do not say." if said is None else f"the files say {said:.0f}.")
        )


def _full_of(source: PixelSource) -> tuple[float, int] | None:
    """Level of the full samples of a light, and how many there are; None without a pile of them."""
    some = np.concatenate([patch[::8].ravel() for patch in patches(source)])
    some = some[np.isfinite(some)]
    usual = float(np.percentile(some, 95)) if some.size else -np.inf
    bright, top = [np.empty(0, dtype=np.float32)], usual
    ny, nx = source.shape
    for y0, y1 in bands(ny, nx, 4):
        band = source.read(y0, y1, 0, nx)
        top = max(top, float(np.fmax.reduce(band, axis=None, initial=-np.inf)))
        bright.append(band[band > max(usual, top / 2)])
    return full_level(np.concatenate(bright), usual)


def _darkest(lights: Sequence[RawFrame], bench: Bench) -> float:
    """Lowest thousandth of the samples over a few lights, ADU."""
    lows = []
    for light in spread_over(lights, 8):
        rows = bench.open_source(light).read(0, light.ny, 0, min(light.nx, 512))
        lows.append(float(np.nanpercentile(rows, 0.1)))
    return min(lows)
