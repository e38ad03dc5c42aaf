"""Chooses gain, read noise and pedestal among what was measured, what headers say and what the user set."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fourlight.frames import NoiseModel, RawFrame
from fourlight.sensor.profile import Profile
from fourlight.stages.bench import Bench
from fourlight.stages.gain import Survey, cut_off, flat_gain, read_noise_adu
from fourlight.stages.groups import Group
from fourlight.stages.profile_use import fitting_profile

__all__ = ["chosen", "pedestal_from_lights"]

_LARGEST_ERROR = 0.05
"""Relative error of a gain from the lights above which it is not used."""
_COARSE = 0.75
"""Scatter in steps, rounding included, from which rounding adds a twelfth of a step squared to 2e-4 wherever the level
lies. At 0.58 it is off by up to 0.008, and at 0.49 by 0.03, as much as the photons of a tenth of a step of light."""
_DISAGREEMENT = 0.10
PROFILE = "camera profile"
"""Source of what a profile says."""
_CONFIRMED = 0.05
"""A gain in the header that the lights confirm to this is more exact than what the lights alone can tell."""


@dataclass(frozen=True, slots=True)
class _Candidate:
    value: float
    source: str
    error: float | None = None

    def __str__(self) -> str:
        return f"{self.value:.3f}" + (f" +- {self.error:.3f}" if self.error is not None else "")


def chosen(
    lights: Sequence[RawFrame],
    flats: Sequence[Group],
    biases: Sequence[Group],
    seen: Survey,
    pedestal: tuple[float | None, str],
    bench: Bench,
) -> NoiseModel:
    """Noise model of the run; what is unknown and every contradiction becomes a note.

    Order for the gain: recipe, camera profile, flats and bias (photon transfer), lights (variance against level,
    error under 5 %), header; a header that the lights confirm goes before them. Order for the read noise: recipe,
    camera profile, bias pairs, lights, header. The read noise does not hold the ``step^2 / 12`` of the digitiser.
    """
    profile = fitting_profile(bench.read, lights[0], bench.tell)
    gain = _gain(lights, flats, biases, seen, profile, bench)
    cut = cut_off(biases, lights[0], bench)
    read = _read_noise(lights, () if cut else biases, seen, pedestal[0], gain, profile, bench)
    _say_profile(gain, read, bench)
    _say_cut_off(cut, read, bench)
    if gain is None:
        bench.note("Gain unknown: samples stay in ADU and shares are shares of signal, not of electrons.")
    if read is None:
        bench.note("Read noise unknown: frame weights come from the noise measured in each frame.")
    return NoiseModel(
        gain_e_per_adu=gain.value if gain else None,
        gain_source=gain.source if gain else "unknown",
        read_noise_e=read.value if read else None,
        read_noise_source=read.source if read else "unknown",
        pedestal_adu=pedestal[0],
        pedestal_source=pedestal[1],
        unit="electron" if gain else "adu",
        gain_error=gain.error if gain else None,
        read_noise_error=read.error if read else None,
        step_adu=seen.step,
    )


def pedestal_from_lights(seen: Survey, read_noise_e: float | None, gain: float | None) -> float | None:
    """Level at which the variance of the lights falls to that of reading alone, ADU.

    None unless the level is known to a tenth of the sky above it. An unknown share of structure in all
    variances does not move it. Without a read noise, 0 is taken: the level is then low by ``R^2 / gain`` ADU
    (a few ADU).
    """
    line = seen.line
    if line is None or line.slope <= 0:
        return None
    scale = gain or 1.0 / line.slope
    dark = ((read_noise_e or 0.0) / scale) ** 2 + seen.step**2 / 12
    level = line.pivot - (line.intercept - dark) / line.slope
    error = np.hypot(line.intercept_error, line.slope_error * (line.pivot - level)) / line.slope
    sky = float(np.nanmedian(seen.levels)) - level
    return float(level) if level >= 0 and sky > 0 and error < 0.1 * sky else None


def _gain(
    lights: Sequence[RawFrame],
    flats: Sequence[Group],
    biases: Sequence[Group],
    seen: Survey,
    profile: Profile | None,
    bench: Bench,
) -> _Candidate | None:
    found: list[_Candidate] = []
    if bench.read.gain_e_per_adu is not None:
        found.append(_Candidate(bench.read.gain_e_per_adu, "recipe"))
    found += _of_profile(profile, "gain")
    same = [group for group in flats if _same_gain(group.frames[0], lights[0])]
    measured = flat_gain(same, biases, bench)
    if measured is not None:
        found.append(_Candidate(measured[0], "flats and bias", measured[1]))
    found += _gain_of_line(seen, bench)
    header = _median([f.gain_e_per_adu for f in lights])
    if header is not None and header > 0:
        found.append(_Candidate(header, "header"))
        if found[0].source == "lights" and abs(found[0].value / header - 1) < _CONFIRMED:
            bench.note(f"The lights confirm the header's gain: {found[0]} e/ADU from the lights.")
            found = [found[1], found[0]]
    if not found:
        return None
    for other in found[1:]:
        if abs(other.value / found[0].value - 1) > _DISAGREEMENT:
            bench.note(
                f"Gain: {found[0]} e/ADU from {found[0].source}, {other} from {other.source};"
                f" that from {found[0].source} is used."
            )
    return found[0]


def _of_profile(profile: Profile | None, name: str) -> list[_Candidate]:
    quantity = profile.quantities.get(name) if profile is not None else None
    return [_Candidate(quantity.value, PROFILE, quantity.error)] if quantity is not None else []


def _say_profile(gain: _Candidate | None, read: _Candidate | None, bench: Bench) -> None:
    """What is from the profile, in a sentence for the report."""
    said = [
        f"{name} {candidate} {unit}"
        for name, candidate, unit in (("gain", gain, "e/ADU"), ("read noise", read, "e"))
        if candidate is not None and candidate.source == PROFILE
    ]
    if said:
        bench.note(f"From the camera profile: {' and '.join(said)} ({Path(bench.read.camera_profile).name}).")


def _say_cut_off(cut: tuple[float, float] | None, read: _Candidate | None, bench: Bench) -> None:
    """That bias frames do not tell the read noise, nor well what no light is."""
    if cut is None:
        return
    least, share = cut
    told = f"is taken from {read.source}" if read is not None else "is not known"
    bench.tell(
        f"Bias frames are cut off at {least:g} ADU, below which their noise would put {100 * share:.1f} % of the"
        f" samples. The level of no light that they show is too high, and the read noise, which they would show too"
        f" small, {told}; take bias frames and lights with a higher offset (black level)."
    )


def _gain_of_line(seen: Survey, bench: Bench) -> list[_Candidate]:
    line = seen.line
    if line is None or line.slope <= 0:
        return []
    steps = float(np.sqrt(np.nanmedian(seen.variances))) / seen.step if seen.step > 0 else np.inf
    if steps < _COARSE:
        bench.note(
            f"The lights cannot tell the gain: samples scatter by {steps:.2f} steps of the digitiser, and under"
            f" {_COARSE:g} their variance follows the rounding (flats and bias, or the header, would tell)."
        )
        return []
    relative = float(np.hypot(line.slope_error / line.slope, seen.structure_error))
    if relative > _LARGEST_ERROR:
        bench.note(
            f"The lights cannot tell the gain: their levels span {line.high - line.low:.0f} ADU, which leaves"
            f" an error of {100 * relative:.0f} % on {1 / line.slope:.2f} e/ADU (5 % needed; other skies, or"
            " flats and bias, would tell)."
        )
        return []
    return [_Candidate(1.0 / line.slope, "lights", relative / line.slope)]


def _read_noise(
    lights: Sequence[RawFrame],
    biases: Sequence[Group],
    seen: Survey,
    pedestal: float | None,
    gain: _Candidate | None,
    profile: Profile | None,
    bench: Bench,
) -> _Candidate | None:
    if bench.read.read_noise_e is not None:
        return _Candidate(bench.read.read_noise_e, "recipe")
    header = _median([f.read_noise_e for f in lights])
    found = _of_profile(profile, "read_noise")
    if gain is not None:
        measured = read_noise_adu(biases, lights[0], bench)
        if measured is not None:
            found.append(_in_electrons(*measured, "flats and bias", gain))
        found += _read_noise_of_line(seen, pedestal, gain)
    if header is not None:
        found.append(_Candidate(header, "header"))
    if found and header is not None and abs(found[0].value / max(header, 1e-6) - 1) > 2 * _DISAGREEMENT:
        bench.note(
            f"Read noise: {found[0]} e from {found[0].source}, {header:.3f} from the header;"
            f" that from {found[0].source} is used."
        )
    return found[0] if found else None


def _read_noise_of_line(seen: Survey, pedestal: float | None, gain: _Candidate) -> list[_Candidate]:
    """Read noise from the variance at the pedestal, where its error is under a fifth."""
    if seen.line is None or pedestal is None:
        return []
    variance, error = seen.line.at(pedestal)
    variance -= seen.step**2 / 12
    if variance <= 0 or error > 0.4 * variance:
        return []
    value = variance**0.5
    return [_in_electrons(value, 0.5 * value * error / variance, "lights", gain)]


def _in_electrons(value_adu: float, error_adu: float, source: str, gain: _Candidate) -> _Candidate:
    """A noise measured in ADU, with its own error and that of the gain."""
    value = value_adu * gain.value
    return _Candidate(value, source, float(np.hypot(error_adu * gain.value, value_adu * (gain.error or 0.0))))


def _same_gain(a: RawFrame, b: RawFrame) -> bool:
    return a.gain_setting is None or b.gain_setting is None or a.gain_setting == b.gain_setting


def _median(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return float(np.median(known)) if known else None
