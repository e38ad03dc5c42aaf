"""Star colours in words: zero points, white, sky, limits, Moon."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fourlight.report.figure_style import NAMES
from fourlight.report.words import UNKNOWN, listed, sentence

__all__ = ["colour_lines", "colour_words"]

Facts = Mapping[str, Any]


def colour_words(summary: Facts) -> dict[str, Any]:
    """Rows of the section on star colours for the page; none where there is no plate solution."""
    colour = summary.get("colour") or {}
    points = colour.get("zero_points") or {}
    return {
        "sky_problem": str(summary.get("sky_problem") or ""),
        "colour": colour_lines(colour),
        "zero_points": [_row(plane, point, colour) for plane, point in points.items()],
        "colour_nights": [_night(night) for night in colour.get("nights") or ()],
        "colour_unit": "electron" if colour.get("unit") == "electron" else "ADU",
    }


def colour_lines(colour: Facts) -> list[tuple[str, str]]:
    """Names and what is said of each."""
    if not colour:
        return []
    lines = [("Mosaic", sentence(colour["mosaic"]["sentence"]))] if colour.get("mosaic") else []
    if colour.get("problem"):
        return [*lines, ("Colours", sentence(f"not calibrated: {colour['problem']}"))]
    stars, points = colour["stars"], colour["zero_points"]
    unit = "electron" if colour.get("unit") == "electron" else "ADU"
    counted = f"{stars['used']} of {stars['found']} catalogue stars"
    left_out = f"{stars['full']} full, {stars['not_alone']} with others beside them"
    lines.append(("Colours", f"{counted} ({left_out}), in {colour['system']}"))
    said = listed([f"{plane} {_with(point)}" for plane, point in points.items()])
    lines.append(
        ("Zero points", f"{said}: magnitude of a star of the Sun's colour that gives one {unit} per second")
    )
    faintest = listed([f"{plane} {value:.1f}" for plane, value in colour["limits"].items()])
    lines.append(("Limits", f"{faintest} (point source, 5 sigma)"))
    if white := colour.get("white"):
        factors = [f"{name} {_factor(white, name)}" for name in "RGB"]
        note = f"; {white['note']}" if white.get("note") else ""
        lines.append(("White", f"{listed(factors)} for a star of B-V {white['b_v']:g}{note}"))
    if colour.get("sky_problem"):
        lines.append(("Sky", sentence(colour["sky_problem"])))
    lines += [("Night", _night_words(night)) for night in colour.get("nights") or () if _night_words(night)]
    return lines + [("Note", sentence(note)) for note in colour.get("notes") or ()]


def _factor(white: Facts, name: str) -> str:
    value = white["factors"][name]
    return f"{value:.3f} ± {value * white['error'][name]:.3f}"


def _with(point: Facts) -> str:
    return f"{point['magnitude']:.3f} ± {point['error']:.3f}"


def _row(plane: str, point: Facts, colour: Facts) -> dict[str, str]:
    limit = (colour.get("limits") or {}).get(plane)
    system = point.get("system_error")
    return {
        "plane": NAMES.get(plane, plane),
        "zero": _with(point),
        "system": UNKNOWN if system is None else f"{system:.3f}",
        "scatter": f"{point['scatter']:.3f}",
        "term": f"{point['colour_term']:+.3f} ± {point['colour_term_error']:.3f}",
        "limit": UNKNOWN if limit is None else f"{limit:.2f}",
    }


def _night(night: Facts) -> dict[str, str]:
    sky, error, moon = night.get("sky") or {}, night.get("error") or {}, night.get("moon") or {}
    return {
        "night": str(night.get("night") or UNKNOWN),
        **{
            name: f"{sky[name]:.2f} ± {error[name]:.2f}" if sky.get(name) is not None else UNKNOWN
            for name in ("R", "G", "B", "V")
        },
        "lit": f"{100 * moon['lit']:.0f} %" if moon else UNKNOWN,
        "separation": f"{moon['separation_deg']:.0f}°" if moon else UNKNOWN,
        "altitude": f"{moon['altitude_deg']:.0f}°" if moon and moon.get("altitude_deg") is not None else UNKNOWN,
    }  # fmt: skip


def _night_words(night: Facts) -> str:
    sky, error, moon = night.get("sky") or {}, night.get("error") or {}, night.get("moon")
    said = []
    if sky:
        each = [f"{name} {value:.2f} ± {error[name]:.2f}" for name, value in sky.items()]
        said.append(f"sky {listed(each)} mag per square arcsec")
    if moon:
        height = moon.get("altitude_deg")
        where = "" if height is None else f", {height:.0f}° high" if height > 0 else ", below the horizon"
        said.append(f"Moon {100 * moon['lit']:.1f} % lit, {moon['separation_deg']:.1f}° away{where}")
    return f"{night.get('night') or 'undated'}: {'; '.join(said)}" if said else ""
