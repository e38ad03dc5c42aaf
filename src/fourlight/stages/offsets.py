"""What is taken off a light: its dark, a scaled dark, the bias, or a number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.frames import RawFrame
from fourlight.stages.bench import Bench
from fourlight.stages.groups import Group, best_group, differences, same_exposure
from fourlight.stages.masters import Master, bands, derived

__all__ = ["Offset", "master_level", "offset_for"]


@dataclass(frozen=True, slots=True)
class Offset:
    """What is taken off; ``how``: 'dark', 'scaled dark', 'bias', 'recipe', 'header', 'lights' or 'none'."""

    value: Master | float
    """ADU."""
    how: str
    group: Group | None = None

    @property
    def variance(self) -> tuple[float, ...]:
        """Variance per plane that it brings in, ADU^2; common to all lights with the same offset."""
        return self.value.variance if isinstance(self.value, Master) else (0.0, 0.0, 0.0, 0.0)


def offset_for(light: RawFrame, darks: Sequence[Group], biases: Sequence[Group], bench: Bench) -> Offset:
    """Offset of a light from what fits it best; what does not fit is named in the notes."""
    tolerance = bench.settings.temperature_tolerance_c
    dark = best_group(light, darks, tolerance)
    bias = best_group(light, biases, 1e3)
    if darks and dark is None:
        for group in darks:
            bench.note(f"{group.label} left out: {', '.join(differences(light, group, tolerance))}.")
    if biases and bias is None:
        for group in biases:
            bench.note(f"{group.label} left out: {', '.join(differences(light, group, 1e3))}.")
    if dark is not None:
        _say_unknown(light, dark, bench)
        if same_exposure(light, dark):
            return Offset(bench.master(dark), "dark", dark)
        if bias is not None and dark.exposure_s and light.exposure_s:
            return _scaled(light, dark, bias, bench)
        bench.note(
            f"{dark.label} left out: the lights are {light.exposure_s:g} s long, and without bias frames a"
            " dark cannot be scaled to another exposure."
        )
    if bias is not None:
        return Offset(bench.master(bias), "bias", bias)
    black, source = bench.black(light)
    return Offset(black, source) if black is not None else Offset(0.0, "none")


def _scaled(light: RawFrame, dark: Group, bias: Group, bench: Bench) -> Offset:
    """``bias + (dark - bias) * t / t0``, as a map of its own."""
    assert light.exposure_s is not None
    assert dark.exposure_s is not None
    ratio = light.exposure_s / dark.exposure_s
    long, zero = bench.master(dark), bench.master(bias)

    def fill(out: npt.NDArray[np.float32]) -> None:
        d, b = long.open(), zero.open()
        for y0, y1 in bands(light.ny, light.nx, 3):
            out[y0:y1] = b[y0:y1] + np.float32(ratio) * (d[y0:y1] - b[y0:y1])

    variance = [
        ratio**2 * d + (1 - ratio) ** 2 * b for d, b in zip(long.variance, zero.variance, strict=True)
    ]
    key: list[object] = ["scaled", long.path.name, zero.path.name, ratio]
    scaled = derived(key, "scaled-dark", (light.ny, light.nx), bench.work, fill, long.frames, variance)
    bench.note(
        f"{dark.label} scaled by {ratio:.3g} to the {light.exposure_s:g} s of the lights, bias taken off"
        " first; hot samples do not all scale alike, so matching darks would be better."
    )
    return Offset(scaled, "scaled dark", dark)


def _say_unknown(light: RawFrame, dark: Group, bench: Bench) -> None:
    first = dark.frames[0]
    silent = [
        name
        for name, a, b in (
            ("temperature", light.temperature_c, dark.temperature_c),
            ("gain", light.gain_setting, first.gain_setting),
            ("exposure", light.exposure_s, dark.exposure_s),
        )
        if a is None or b is None
    ]
    if silent:
        bench.note(
            f"{dark.label}: {' and '.join(silent)} not known on both sides, taken to match the lights."
        )


def master_level(master: Master) -> float:
    """Median of a master, ADU, from rows spread over it."""
    array = master.open()
    rows = array[:: max(1, array.shape[0] // 200)]
    return float(np.nanmedian(rows))
