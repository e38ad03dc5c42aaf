"""What is said of colour fringes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fourlight.report.words import reached

__all__ = ["fringe_words"]

Facts = Mapping[str, Any]

LEAST_PX = 0.02
"""Shifts below this are none."""


def fringe_words(summary: Facts) -> str:
    """How far red and blue stood from green, and what the atmosphere explains of it; empty where nothing is known.

    >>> shifts = {"R": {"shift_px": 0.28, "corner_px": 0.1}, "B": {"shift_px": 0.36, "corner_px": 0.2}}
    >>> fringe_words({"fringes": {"planes": shifts}})[:81]
    'Measured in the middle of a typical light: red stood 0.28 px from green and blue '
    """
    planes = reached(summary, "fringes", "planes") or {}
    red, blue = planes.get("R") or {}, planes.get("B") or {}
    known = [part.get(key) or 0.0 for part in (red, blue) for key in ("shift_px", "corner_px")]
    if max(known, default=0.0) < LEAST_PX:
        return ""
    middle, corner = ([_px(part.get(key)) for part in (red, blue)] for key in ("shift_px", "corner_px"))
    said = (
        f"Measured in the middle of a typical light: red stood {middle[0]} from green and blue {middle[1]}; in the"
        f" corners {corner[0]} and {corner[1]} come on top or off. All of it was taken out: each plane was placed by"
        " its own image of the stars."
    )
    air, height = [part.get("by_air_px") for part in (red, blue)], reached(summary, "fringes", "altitude_deg")
    if height and all(value is not None for value in air):
        low, high = (f"{value:.0f}" for value in height)
        span = f"{low}°" if low == high else f"{low}° to {high}°"
        said += (
            f" Expected at an altitude of {span} from the dispersion by the air, as it is at sea level: {_px(air[0])}"
            f" and {_px(air[1])}."
        )
    return said


def _px(value: Any) -> str:
    return f"{float(value or 0.0):.2f} px"
