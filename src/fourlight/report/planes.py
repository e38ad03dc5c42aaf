"""What each plane of the stack holds, as rows of a table and as bars."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from fourlight.core.cfa import PLANES
from fourlight.report.shares import Tenths, in_tenths, printed, share_bar
from fourlight.report.words import UNKNOWN, reached, with_error

__all__ = ["PLANE_NAMES", "held", "plane_table", "unit"]

SIGMAS = 1.96
"""Half of a 95 % interval over the standard error, as all intervals of the report are."""

Facts = Mapping[str, Any]

PLANE_NAMES = {"R": "Red", "G1": "Green 1", "G2": "Green 2", "B": "Blue"}


def unit(summary: Facts) -> str:
    """Sign of the unit of samples."""
    return "e⁻" if summary.get("unit") == "electron" else "ADU"


def held(summary: Facts) -> str:
    """What planes have shares of: electrons, or with an unknown gain signal."""
    return "electrons" if summary.get("unit") == "electron" else "signal"


def plane_table(summary: Facts) -> dict[str, Any]:
    """Rows for the planes R, G1, G2, B, bars of their shares, and the words of their headings."""
    planes = summary.get("planes") or {}
    scale = summary.get("scale_arcsec_px")
    rows = [_row(summary, name, planes.get(name) or {}, scale) for name in PLANES]
    shares = {
        key: {name: reached(planes, name, key) for name in PLANES}
        for key in ("share_of_electrons", "share_of_object_electrons")
    }
    for row in rows:
        row |= {key: _printed(in_tenths(values), row["name"]) for key, values in shares.items()}
    what = held(summary)
    bars = [
        (label, Markup(share_bar(shares[key], label)), [(row["name"], row[key]) for row in rows])
        for label, key in (
            (f"All {what}, sky included", "share_of_electrons"),
            (f"{what.capitalize()} above the sky: stars and object", "share_of_object_electrons"),
        )
    ]
    return {
        "planes": rows if planes else [],
        "plane_names": PLANE_NAMES,
        "bars": [entry for entry in bars if entry[1]],
        "scale": scale,
        "unit": unit(summary),
        "held": what,
        "reference": str(reached(summary, "grid", "reference") or ""),
    }


def _row(summary: Facts, name: str, plane: Facts, scale: Any) -> dict[str, Any]:
    width = plane.get("fwhm_px")
    reach = _times(plane.get("fwhm_error_px"), SIGMAS)
    return {
        "name": name,
        "sky": plane.get("sky"),
        "noise": plane.get("noise"),
        "fwhm": with_error(width, reach),
        "fwhm_arcsec": with_error(_times(width, scale), _times(reach, scale)),
        "samples": plane.get("samples_median"),
        "rejected": reached(summary, "integration", "rejected_share", name),
    }


def _times(number: Any, scale: Any) -> float | None:
    """A size in other units; None where either is not known."""
    return number * scale if isinstance(number, int | float) and scale else None


def _printed(tenths: Tenths, name: str) -> str:
    return printed(tenths[name]) if tenths else UNKNOWN
