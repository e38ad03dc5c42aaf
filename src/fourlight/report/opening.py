"""The head of the page: what this is, how much light, what was left out, what the light is made of."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from fourlight.core.cfa import PLANES
from fourlight.report.aside import copies, lights_aside, others_aside
from fourlight.report.calibration import applied, not_applied, untouched
from fourlight.report.planes import held
from fourlight.report.shares import in_tenths, printed
from fourlight.report.words import UNKNOWN, counted, digits, duration, reached, unbroken

__all__ = ["heading", "lead"]

Facts = Mapping[str, Any]

TURNED_DEG = 45.0
"""Angle against the first light from which it is told, as after a turn of the mount past the meridian."""


def heading(summary: Facts) -> dict[str, Any]:
    """Title, line above it, opening paragraph and the row of facts."""
    nights = [n.get("night") for n in summary.get("nights") or () if n.get("night")]
    span = f"{nights[0]} to {nights[-1]}" if len(nights) > 1 else (nights[0] if nights else "")
    subject = summary.get("object")
    return {
        "title": subject or "Deep-sky stack",
        "named": bool(subject),
        "overline": f"Report of {'the night of ' if len(nights) == 1 else ''}{span}" if span else "Report",
        "lead": lead(summary),
        "facts": _facts(summary),
        "turned": turned(summary),
    }


def lead(summary: Facts) -> str:
    """The opening paragraph."""
    frames: Sequence[Any] = summary.get("frames") or ()
    nights: Sequence[Any] = summary.get("nights") or ()
    total = reached(summary, "integration", "total_exposure_s")
    subject = summary.get("object")
    first = counted(len(frames), "light")
    first += f" of {subject}" if subject else ""
    first += f" from {counted(len(nights), 'night')}" if nights else ""
    first += f", {duration(total)} of exposure in all," if total else ""
    first += " was" if len(frames) == 1 else " were"
    parts = [
        first
        + (" " if untouched(summary) else " calibrated, ")
        + "placed on one grid and combined, each colour from its own pixels only.",
        _left_out(summary),
        not_applied(summary),
        _green_share(summary),
    ]
    return " ".join(part for part in parts if part)


def _left_out(summary: Facts) -> str:
    lights, others = len(lights_aside(summary)), others_aside(summary)
    again = _copied(len(copies(summary)))
    if not lights and not others:
        return again or "No frame was set aside."
    said = counted(lights, "more light") if lights else "No light"
    said += " was" if lights <= 1 else " were"
    said += " set aside"
    if others:
        said += f", {'and' if lights else 'but'} {others} could not be used"
    count = len(summary.get("set_aside") or ()) - len(copies(summary))
    return f"{said}; the {'reason is' if count == 1 else 'reasons are'} below. {again}".strip()


def _copied(count: int) -> str:
    if not count:
        return ""
    said = (
        "1 file is a copy of another and was"
        if count == 1
        else f"{count:,} files are copies of others and were"
    )
    return f"{said} left out: each exposure counts once."


def _facts(summary: Facts) -> list[tuple[str, str]]:
    used, aside = len(summary.get("frames") or ()), len(lights_aside(summary))
    scale = summary.get("scale_arcsec_px")
    width = _green(summary, "fwhm_px")
    seeing = f"{digits(width)} px" if width is not None else UNKNOWN
    if width is not None and scale:
        seeing += f" ({digits(width * scale)}″)"
    facts = [
        ("Exposure in all", duration(reached(summary, "integration", "total_exposure_s"))),
        *_effective(summary),
        ("Lights used", f"{used} of {used + aside}"),
        ("Calibration frames", applied(summary)),
        ("Star width in the stack, green", seeing),
        ("Mosaic", str(reached(summary, "mosaic", "pattern") or UNKNOWN)),
    ]
    if scale:
        facts.append(("Scale", f"{digits(scale)}″ per pixel"))
    return facts


def turned(summary: Facts) -> str:
    """That the picture is far from upright as the first light has it; empty where it is not.

    >>> first = {"file": "a", "time": "1", "matrix": [[-1.0, 0.0, 99.0], [0.0, -1.0, 99.0]]}
    >>> turned({"frames": [first], "grid": {"reference": "b"}})
    'It is turned by 180° against the first light (a): it stands as the reference light (b) does.'
    """
    frames = [frame for frame in summary.get("frames") or () if frame.get("matrix")]
    if not frames:
        return ""
    first = min(frames, key=lambda frame: str(frame.get("time") or "9"))
    (cosine, *_), (sine, *_) = first["matrix"]
    angle = abs(math.degrees(math.atan2(sine, cosine)))
    if angle < TURNED_DEG:
        return ""
    reference = reached(summary, "grid", "reference")
    return (
        f"It is turned by {angle:.0f}° against the first light ({first['file']}): it stands as the reference light "
        f"({reference}) does."
    )


def _effective(summary: Facts) -> list[tuple[str, str]]:
    """How much exposure as good as the best light's all lights are worth, from the worst to the best plane."""
    found = reached(summary, "integration", "effective_exposure_s") or {}
    seconds = [value for value in found.values() if isinstance(value, int | float) and math.isfinite(value)]
    if not seconds:
        return []
    said = list(dict.fromkeys(duration(value) for value in (min(seconds), max(seconds))))
    return [("Worth as much as the best light for", f"{' to '.join(said)}{', by colour' * (len(said) > 1)}")]


def _green(summary: Facts, key: str) -> float | None:
    values = [reached(summary, "planes", name, key) for name in ("G1", "G2")]
    known = [v for v in values if isinstance(v, int | float) and math.isfinite(v)]
    return sum(known) / len(known) if known else None


def _green_share(summary: Facts) -> str:
    planes = summary.get("planes") or {}
    tenths = in_tenths({name: reached(planes, name, "share_of_electrons") for name in PLANES})
    if not tenths:
        return ""
    return unbroken(
        f"Of all {held(summary)} collected, sky included, {printed(tenths['R'])} came through red, "
        f"{printed(tenths['G1'] + tenths['G2'])} through the two greens together and "
        f"{printed(tenths['B'])} through blue."
    )
