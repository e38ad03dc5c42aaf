"""What was measured of a camera, as facts and as lines of text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from fourlight.frames import Role
from fourlight.report import words
from fourlight.report.responses import in_columns
from fourlight.report.words import digits, sentence, with_error
from fourlight.stages.camera_curve import curve_of
from fourlight.stages.camera_results import Found, profile_of
from fourlight.stages.groups import counted

__all__ = ["measured_facts", "measured_lines"]

Facts = dict[str, Any]

NAMES = {
    "gain": "gain",
    "read_noise": "read noise",
    "dark_noise": "noise without light, rounding included",
    "bias_level": "level without light",
    "saturation": "saturation, above no light",
    "full_well": "saturation capacity (full well)",
    "dynamic_range": "dynamic range",
    "snr_max": "largest signal-to-noise ratio",
    "linearity_lowest": "linearity error, lowest",
    "linearity_highest": "linearity error, highest",
    "linearity_mean": "linearity error, mean size",
    "dsnu": "dark signal nonuniformity",
    "prnu": "photo response nonuniformity",
    "prnu_usual": "the same without defects",
    "dark_current": "dark current of ordinary samples",
    "dark_current_mean": "dark current, mean of all samples",
    "dark_current_scatter": "dark current, from the scatter",
    "dark_temperature": "  at a temperature of",
    "dark_doubling": "warming that doubles it",
    "dark_energy": "activation energy",
    "defects_hot": "hot samples",
    "defects_cold": "cold samples",
    "defects_unsteady": "unsteady samples",
}
LACKING = {
    "saturation": "where the sensor is full",
    "linearity": "linearity",
    "prnu": "photo response nonuniformity",
    "dark_current": "dark current",
    "dark_law": "how dark current grows with temperature",
}


def measured_facts(found: Found) -> Facts:
    """The profile, and the points behind it, as plain data."""
    law = found.law
    return {
        **profile_of(found).model_dump(),
        "counts": asdict(found.counts),
        "curves": {
            place.name: {
                "points": curve_of(found.points, found.dark, list(found.names).index(place.name), place.use),
                "gain": place.gain.value,
                "dark_variance": (place.dark_noise.value / place.gain.value) ** 2,
                "saturation": place.saturation.level,
                "reached": place.saturation.reached,
            }
            for place in found.places
        },
        "linearity": {
            line.name: {
                "exposure_s": line.exposure_s.tolist(),
                "level": line.level.tolist(),
                "deviation": line.line.deviation.tolist(),
                "error": line.error.tolist(),
                "inside": line.line.inside.tolist(),
            }
            for line in found.lines
        },
        "currents": [
            {
                "temperature_c": c.temperature_c,
                "exposure_s": c.exposure_s,
                "frames": c.frames,
                **{name: _pair(getattr(c, name)) for name in ("usual", "mean", "scatter")},
            }
            for c in found.currents
        ],
        "law": None if law is None else {**asdict(law), "misfit": list(law.misfit)},
    }


def _pair(value: Any) -> Facts | None:
    return None if value is None else {"value": value.value, "error": value.error}


def measured_lines(facts: Facts) -> list[str]:
    """Lines of text on a camera, see `measured_facts`."""
    rows = [["", "value", "", "frames"]]
    rows += [_row(NAMES.get(name, name), part) for name, part in facts["quantities"].items()]
    places = list(facts["places"])
    keys = list(dict.fromkeys(key for part in facts["places"].values() for key in part))
    table = [["by colour" if places[0] in ("R", "G1", "G2", "B") else "by row and column", *places]]
    for key in keys:
        parts = [facts["places"][name].get(key) for name in places]
        unit = next((part["unit"] for part in parts if part), "")
        cells = [_value(part) if part else "" for part in parts]
        table.append([f"{NAMES[key]}{', ' if unit else ''}{unit}", *cells])
    return [
        f"camera  {_camera(facts['camera'])}",
        f"frames  {_frames(facts['counts'])}",
        "",
        *in_columns(rows),
        "",
        *in_columns(table),
        *_after(facts),
    ]


def _after(facts: Facts) -> list[str]:
    """What was not measured, and what is to be known."""
    lines = [
        f"not measured: {LACKING.get(name, name)}; needed: {needed}"
        for name, needed in facts["missing"].items()
    ]
    lines += [f"to know: {sentence(note)}" for note in facts["notes"]]
    return ["", *lines] if lines else []


def _camera(camera: Mapping[str, Any]) -> str:
    said = [camera["name"] or "not named in the headers", f"{camera['width_px']} x {camera['height_px']}"]
    said.append(camera["mosaic"] or "mosaic not stated: places are named by row and column")
    for name, said_as in (("gain_setting", "gain setting"), ("offset_setting", "offset")):
        if camera[name] is not None:
            said.append(f"{said_as} {camera[name]:g}")
    if camera["temperature_c"] is not None:
        said.append(f"bias frames at {camera['temperature_c']:g} C")
    return ", ".join(said)


def _frames(counts: Mapping[str, int]) -> str:
    return (
        f"{counted(counts['flats'], Role.FLAT)} ({words.counted(counts['flat_pairs'], 'pair')}), "
        f"{counted(counts['bias'], Role.BIAS)} ({words.counted(counts['bias_pairs'], 'pair')}), "
        f"{counted(counts['darks'], Role.DARK)}"
    )


def _row(name: str, part: Mapping[str, Any]) -> list[str]:
    return [name, _value(part), part["unit"], str(part["frames"])]


def _value(part: Mapping[str, Any]) -> str:
    bound = f"{part['bound']} " if part["bound"] else ""
    if part["unit"] == "samples":
        return f"{part['value']:.0f}"
    if not part["error"]:
        return f"{bound}{digits(part['value'])}"
    return bound + with_error(part["value"], part["error"]).replace("±", "+-")
