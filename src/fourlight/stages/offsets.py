"""What is taken off a light: its dark, a scaled dark, the bias, or a number."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.frames import RawFrame
from fourlight.stages.banding import bands
from fourlight.stages.bench import Bench
from fourlight.stages.groups import Group, best_group, misfits, same_exposure
from fourlight.stages.masters import Master, derived

__all__ = ["Choice", "Offset", "choose_offsets", "master_level", "offset_for", "say_unused"]

Say = Callable[[str], None]
"""Takes a sentence for the user."""

ANY_C = 1e3
"""Tolerance where temperatures do not matter, degrees C."""


@dataclass(frozen=True, slots=True)
class Offset:
    """What is taken off; ``how``: 'dark', 'scaled dark', 'bias', 'recipe', 'header', 'lights' or 'none'."""

    value: Master | float
    """ADU."""
    how: str
    group: Group | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """Calibration frames from which the offset of a light is made; found from headers alone."""

    dark: Group | None
    bias: Group | None
    refused: tuple[Group, ...]
    """Groups that do not serve: none of their kind does, or they cannot be scaled."""

    @property
    def groups(self) -> set[Group]:
        """All groups that it speaks of."""
        return {group for group in (self.dark, self.bias, *self.refused) if group is not None}


def choose_offsets(
    lights: Sequence[RawFrame], darks: Sequence[Group], biases: Sequence[Group], tolerance_c: float, say: Say
) -> list[Choice]:
    """Darks and bias frames that fit each light best; what does not fit is named in the notes, all lights together."""
    for groups, limit in ((darks, tolerance_c), (biases, ANY_C)):
        without = [light for light in lights if best_group(light, groups, limit) is None]
        for group in groups:
            for why in misfits(without, group, limit):
                say(f"{group.label} left out: {why}.")
    return [_choice(light, darks, biases, tolerance_c, say) for light in lights]


def _choice(
    light: RawFrame, darks: Sequence[Group], biases: Sequence[Group], tolerance_c: float, say: Say
) -> Choice:
    dark = best_group(light, darks, tolerance_c)
    bias = best_group(light, biases, ANY_C)
    refused = [*(darks if dark is None else ()), *(biases if bias is None else ())]
    if dark is not None:
        _say_unknown(light, dark, say)
        if not same_exposure(light, dark):
            unscaled = _why_not_scaled(light, dark, bias)
            if unscaled:
                say(f"{dark.label} left out: {unscaled}")
                return Choice(None, bias, (*refused, dark))
            assert light.exposure_s is not None
            assert dark.exposure_s is not None
            say(
                f"{dark.label} scaled by {light.exposure_s / dark.exposure_s:.3g} to the {light.exposure_s:g} s of the"
                " lights, bias taken off first; hot samples do not all scale alike, so matching darks would be"
                " better."
            )
    return Choice(dark, bias, tuple(refused))


def _why_not_scaled(light: RawFrame, dark: Group, bias: Group | None) -> str:
    """Why a dark of another length than a light cannot be scaled to it, and what to do; empty where it can."""
    if not light.exposure_s:
        return (
            "the header of the lights says that they are 0 s long, to which no dark can be scaled; let it state their"
            " exposure, or add darks that state the same."
        )
    if not dark.exposure_s:
        return (
            f"their header says that they are 0 s long, and so they cannot be scaled to the {light.exposure_s:g} s of"
            " the lights; let it state their exposure, or add darks as long as the lights."
        )
    if bias is None:
        return (
            f"the lights are {light.exposure_s:g} s long, and without bias frames a dark cannot be scaled; add bias"
            " frames, or darks as long as the lights."
        )
    return ""


def say_unused(
    lights: Sequence[RawFrame],
    darks: Sequence[Group],
    flats: Sequence[Group],
    choices: Sequence[Choice],
    say: Say,
) -> None:
    """Name darks that are as long as no light and no flat and serve none."""
    spoken_of = set().union(*(choice.groups for choice in choices))
    lengths = sorted({frame.exposure_s for frame in lights if frame.exposure_s is not None})
    for group in darks:
        if group not in spoken_of and not any(same_exposure(flat, group) for g in flats for flat in g.frames):
            long = " and ".join(f"{length:g} s" for length in lengths)
            better = (
                "have darks that fit better" if any(choice.dark for choice in choices) else "need other darks"
            )
            say(f"{group.label} not used: the lights ({long}) {better}.")


def offset_for(light: RawFrame, choice: Choice, bench: Bench) -> Offset:
    """Offset of a light from what was chosen for it, else from the level of no light that is stated."""
    dark, bias = choice.dark, choice.bias
    if dark is not None:
        if same_exposure(light, dark):
            return Offset(bench.master(dark), "dark", dark)
        assert bias is not None
        return _scaled(light, dark, bias, bench)
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
    return Offset(scaled, "scaled dark", dark)


def _say_unknown(light: RawFrame, dark: Group, say: Say) -> None:
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
        say(f"{dark.label}: {' and '.join(silent)} not known on both sides, taken to match the lights.")


def master_level(master: Master) -> float:
    """Median of a master, ADU, from rows spread over it."""
    array = master.open()
    rows = array[:: max(1, array.shape[0] // 200)]
    return float(np.nanmedian(rows))
