"""Everything that was found of a camera, and the profile that it makes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from fourlight.core.darklaw import DarkLaw
from fourlight.core.regionerror import Measured, agreed
from fourlight.core.transferfit import dynamic_range
from fourlight.sensor.profile import Camera, Profile, Quantity
from fourlight.stages.camera_dark import Current
from fourlight.stages.camera_linearity import Lines
from fourlight.stages.camera_maps import Defect
from fourlight.stages.camera_pairs import Dark, Points
from fourlight.stages.camera_transfer import PlaceTransfer

__all__ = ["Counts", "Found", "Uniformity", "profile_of"]

NOT_REACHED = "brighter flats: the variance still grows at the brightest ones"


@dataclass(frozen=True, slots=True)
class Counts:
    """Frames that went into what was measured."""

    flats: int
    flat_pairs: int
    bias: int
    bias_pairs: int
    darks: int
    prnu_flats: int = 0
    """Flats of the level from which the nonuniformity of the response is."""


@dataclass(frozen=True, slots=True)
class Uniformity:
    """Nonuniformity of one place."""

    dsnu_adu: Measured
    prnu: Measured | None
    """Part of the light; None where there are no two flats of one level."""
    prnu_usual: Measured | None


@dataclass(slots=True)
class Found:
    """What was found, step by step."""

    camera: Camera
    names: Sequence[str]
    dark: Dark
    points: Points
    places: Sequence[PlaceTransfer]
    gain: Measured
    read_noise: Measured
    counts: Counts
    lines: Sequence[Lines] = ()
    uniformity: Mapping[str, Uniformity] = field(default_factory=dict)
    currents: Sequence[Current] = ()
    law: DarkLaw | None = None
    defects: npt.NDArray[np.uint8] | None = None
    defect_darks: int = 0
    """Darks in which hot and unsteady samples were looked for."""
    missing: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def profile_of(found: Found) -> Profile:
    """The profile, every number with its error and the frames behind it."""
    return Profile(
        camera=found.camera,
        quantities={k: q for part in (_light, _even, _dark, _faulty) for k, q in part(found).items()},
        places={place.name: _of_place(place, found) for place in found.places},
        missing=found.missing,
        notes=tuple(found.notes),
    )


def _quantity(value: Measured, unit: str, frames: int, bound: str = "") -> Quantity:
    error = float(value.error) if np.isfinite(value.error) else None
    return Quantity.model_validate(
        {"value": float(value.value), "error": error, "unit": unit, "frames": frames, "bound": bound}
    )


def _lit(found: Found) -> int:
    return 2 * found.counts.flat_pairs


def _light(found: Found) -> dict[str, Quantity]:
    """Gain, noise, saturation and what follows from them."""
    both = _lit(found) + 2 * found.counts.bias_pairs
    noise = agreed(*_columns([place.dark_noise for place in found.places]))
    reached = [place for place in found.places if place.saturation.reached]
    bound = "" if reached else "at least"
    if reached:
        full = _alike([place.full_e for place in reached])
        level = _alike([Measured(p.saturation.level, p.saturation.error) for p in reached])
    else:
        best = max(found.places, key=lambda place: place.saturation.level)
        full, level = best.full_e, Measured(best.saturation.level, best.saturation.error)
        found.missing.setdefault("saturation", NOT_REACHED)
    ratio = dynamic_range(full.value, noise.value)
    part = float(np.hypot(full.error / full.value, noise.error / (noise.value + 0.5)))
    snr = full.value**0.5
    return {
        "gain": _quantity(found.gain, "e/ADU", both),
        "read_noise": _quantity(found.read_noise, "e", 2 * found.counts.bias_pairs),
        "dark_noise": _quantity(noise, "e", 2 * found.counts.bias_pairs),
        "bias_level": _quantity(_level(found.dark), "ADU", 2 * found.counts.bias_pairs),
        "saturation": _quantity(level, "ADU", _lit(found), bound),
        "full_well": _quantity(full, "e", both, bound),
        "dynamic_range": _quantity(Measured(ratio, ratio * part), "", both, bound),
        "snr_max": _quantity(Measured(snr, full.error / (2 * snr)), "", both, bound),
    }


def _alike(parts: Sequence[Measured]) -> Measured:
    """Mean of levels of saturation, whose errors all come from the same gaps between the levels of the flats."""
    return Measured(
        float(np.mean([p.value for p in parts])), float(np.mean([p.error**2 for p in parts]) ** 0.5)
    )


def _level(dark: Dark) -> Measured:
    """Level without light: mean over the regions, whose scatter is its error."""
    each = np.nanmean(dark.level, axis=0)
    return Measured(
        float(each.mean()), float(each.std(ddof=1) / len(each) ** 0.5) if len(each) > 1 else np.inf
    )


def _columns(parts: Sequence[Measured]) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    return np.array([p.value for p in parts]), np.array([max(p.error, 1e-12) for p in parts])


def _even(found: Found) -> dict[str, Quantity]:
    """Linearity and nonuniformity."""
    made: dict[str, Quantity] = {}
    if found.lines:
        low = min(found.lines, key=lambda line: line.line.lowest)
        high = max(found.lines, key=lambda line: line.line.highest)
        mean = float(np.mean([line.line.mean for line in found.lines]))
        typical = float(np.mean([np.mean(line.error[line.line.inside]) for line in found.lines]))
        for name, value, error in (
            ("linearity_lowest", low.line.lowest, _at(low, low.line.lowest)),
            ("linearity_highest", high.line.highest, _at(high, high.line.highest)),
            ("linearity_mean", mean, typical),
        ):
            made[name] = _quantity(Measured(100 * value, 100 * error), "%", _lit(found))
    if not found.uniformity:
        return made
    parts = list(found.uniformity.values())
    dsnu = agreed(*_columns([part.dsnu_adu for part in parts]))
    made["dsnu"] = _quantity(_electrons(dsnu, found.gain), "e", found.counts.bias)
    for name in ("prnu", "prnu_usual"):
        known = [value for part in parts if (value := getattr(part, name)) is not None]
        if known:
            mean_of = agreed(*_columns(known))
            made[name] = _quantity(
                Measured(100 * mean_of.value, 100 * mean_of.error), "%", found.counts.prnu_flats
            )
    return made


def _at(line: Lines, deviation: float) -> float:
    return float(line.error[int(np.argmin(np.abs(line.line.deviation - deviation)))])


def _electrons(value: Measured, gain: Measured) -> Measured:
    return Measured(
        value.value * gain.value, float(np.hypot(value.error * gain.value, value.value * gain.error))
    )


def _dark(found: Found) -> dict[str, Quantity]:
    """Dark current and its law."""
    if not found.currents:
        return {}
    coldest = min(found.currents, key=lambda c: (c.temperature_c or 0.0, -c.exposure_s))
    made = {
        "dark_current": _current(coldest.usual, coldest.frames),
        "dark_current_mean": _current(coldest.mean, coldest.frames),
    }
    if coldest.scatter is not None:
        made["dark_current_scatter"] = _current(coldest.scatter, coldest.frames)
    if coldest.temperature_c is not None:
        made["dark_temperature"] = Quantity(value=coldest.temperature_c, unit="C", frames=coldest.frames)
    if found.law is not None:
        law, frames = found.law, sum(c.frames for c in found.currents)
        made["dark_doubling"] = _quantity(Measured(law.doubling_k, law.doubling_error_k), "K", frames)
        made["dark_energy"] = _quantity(Measured(law.energy_ev, law.energy_error_ev), "eV", frames)
    return made


def _current(value: Measured, frames: int) -> Quantity:
    """A current, or where it does not differ from zero, what it is at most (two standard errors above)."""
    if value.value > 2 * value.error:
        return _quantity(value, "e/s", frames)
    return _quantity(Measured(max(value.value, 0.0) + 2 * value.error, value.error), "e/s", frames, "at most")


def _faulty(found: Found) -> dict[str, Quantity]:
    if found.defects is None:
        return {}
    counts, made = found.counts, {}
    for kind, frames in (
        (Defect.HOT, found.defect_darks + counts.bias),
        (Defect.COLD, counts.prnu_flats),
        (Defect.UNSTEADY, found.defect_darks + counts.bias),
    ):
        if not frames:  # nobody looked for them
            continue
        number = int(np.count_nonzero(found.defects & kind))
        # a count of rare things, each by itself (Poisson)
        made[f"defects_{str(kind.name).lower()}"] = Quantity(
            value=number, error=number**0.5, unit="samples", frames=frames
        )
    return made


def _of_place(place: PlaceTransfer, found: Found) -> dict[str, Quantity]:
    both = _lit(found) + 2 * found.counts.bias_pairs
    bias = 2 * found.counts.bias_pairs
    bound = "" if place.saturation.reached else "at least"
    made = {
        "gain": _quantity(place.gain, "e/ADU", both),
        "read_noise": _quantity(place.read_noise, "e", bias),
        "full_well": _quantity(place.full_e, "e", both, bound),
        "dynamic_range": _quantity(place.range, "", both, bound),
        "snr_max": _quantity(place.snr, "", both, bound),
    }
    for line in found.lines:
        if line.name == place.name:
            for name in ("lowest", "highest"):
                value = getattr(line.line, name)
                made[f"linearity_{name}"] = _quantity(
                    Measured(100 * value, 100 * _at(line, value)), "%", _lit(found)
                )
    even = found.uniformity.get(place.name)
    if even is not None:
        made["dsnu"] = _quantity(_electrons(even.dsnu_adu, place.gain), "e", found.counts.bias)
        for name in ("prnu", "prnu_usual"):
            part = getattr(even, name)
            if part is not None:
                scaled = Measured(100 * part.value, 100 * part.error)
                made[name] = _quantity(scaled, "%", found.counts.prnu_flats)
    return made
