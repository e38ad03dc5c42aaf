"""What a night that goes on is told in: a line for every sub, and one for everything that goes wrong."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from fourlight.report.clock import capital
from fourlight.report.words import digits
from fourlight.stages.live_alarms import Alarm
from fourlight.stages.live_snr import Forecast, Target

__all__ = ["ahead_words", "alarm_words", "clock_words", "over_words", "sub_words", "target_words"]

Row = Mapping[str, Any]

CAUSES = {
    ("transparency", False): "cloud, haze, dew or something in the way",
    ("transparency", True): "the target sinks, haze or dew comes up, or cloud thickens",
    ("sky", False): "cloud, a lamp or the Moon",
    ("sky", True): "Moon, dawn or haze",
    ("fwhm_px", False): "focus, seeing, wind or dew",
    ("fwhm_px", True): "focus drifts, or the seeing worsens",
    ("elongation", False): "guiding, wind or a cable",
    ("elongation", True): "guiding or polar alignment, flexure",
}
"""Common practice, no source."""
HEADINGS = {
    "transparency": "less starlight",
    "sky": "brighter sky",
    "fwhm_px": "wider stars",
    "elongation": "longer stars",
}
KINDS = {"transparency": "starlight", "sky": "sky", "fwhm_px": "star width", "elongation": "length of stars"}


def target_words(target: Mapping[str, Any] | Target | None, zoom: float | None = None) -> str:
    """What signal over noise is of."""
    what = target.get("what") if isinstance(target, Mapping) else target.what if target else None
    if what == "object":
        return "the object's mean light above the sky, per pixel of the running stack, all colours weighted together"
    if what == "star":
        return "the middle one of the clear stars (no object stands out), all colours weighted together"
    return "what will stand out first: nothing does yet"


def sub_words(row: Row, rows: Sequence[Row], target: Target | None, ahead: Forecast | None) -> str:
    """One line for a sub.

    >>> sub_words({"file": "a.fits", "status": "set aside", "reason": "cloud"}, [], None, None)
    'a.fits set aside: cloud'
    """
    if row["status"] != "used":
        return f"{row['file']} set aside: {row['reason']}"
    width = f"{digits(row['fwhm_px'], 3)} px"
    if row["fwhm_arcsec"]:
        width += f" ({digits(row['fwhm_arcsec'], 2)} arcsec)"
    parts = [
        f"{row['file']}",
        f"stars {width} wide, {digits(row['elongation'], 3)} long",
        f"{100 * row['transparency']:.0f} % of the reference's light",
        f"sky {digits(row['sky'], 3)} a second",
    ]
    if target is not None:
        now = float(target.snr(np.array(row["variance"])))
        parts.append(f"SNR of the {target.what} {digits(now, 3)}{_then(now, ahead)}")
    return "; ".join(parts)


def _then(now: float, ahead: Forecast | None) -> str:
    if ahead is None:
        return ""
    low, high = digits(now * ahead.low, 3), digits(now * ahead.high, 3)
    return f", in another hour {digits(now * ahead.ratio, 3)}" + (
        f" ({low} to {high})" if low != high else ""
    )


def ahead_words(facts: Mapping[str, Any]) -> str:
    """What another hour gives, as a sentence."""
    ahead = facts["another_hour"]
    if not ahead or not facts["snr"]:
        return "What another hour would give is told from three subs on, as soon as an object or clear stars stand out."
    now, then = facts["snr"][-1], facts["snr"][-1] * ahead["ratio"]
    low, high = facts["snr"][-1] * ahead["low"], facts["snr"][-1] * ahead["high"]
    return (
        f"Another hour like the last subs, {ahead['subs']:.0f} more of them, takes it from {digits(now, 3)} to "
        f"{digits(then, 3)} ({digits(low, 3)} to {digits(high, 3)}, 95 %): {100 * (ahead['ratio'] - 1):.0f} % more."
    )


def alarm_words(alarm: Alarm | Mapping[str, Any], rows: Sequence[Row]) -> str:
    """What is wrong, by how much against the night's own scatter, and what it may be."""
    told = alarm if isinstance(alarm, Mapping) else {
        name: getattr(alarm, name) for name in ("quantity", "drift", "since", "ratio", "scatter")
    }  # fmt: skip
    quantity, drift = told["quantity"], told["drift"]
    off = 100 * (told["ratio"] - 1)
    scatter = f"quiet subs scatter by {100 * told['scatter']:.1f} %"
    begun = rows[told["since"]]["file"] if told["since"] < len(rows) else "?"
    amount = (
        f"{off:+.0f} % along a line since {begun}"
        if drift
        else f"{off:+.0f} % against the usual since {begun}"
    )
    return f"{HEADINGS[quantity]}: {amount}; {scatter}. {capital(CAUSES[quantity, drift])}?"


def over_words(alarm: Alarm, rows: Sequence[Row]) -> str:
    """That it is over."""
    until = alarm.until if alarm.until is not None else len(rows)
    how = "drifts no longer" if alarm.drift else "is usual again"
    count = until - alarm.since
    return f"{KINDS[alarm.quantity]} {how}, after {count} sub{'s' * (count != 1)}"


def clock_words(seconds: float) -> str:
    """Time of a night.

    >>> clock_words(3725)
    '1:02 h'
    """
    minutes = int(seconds // 60)
    return f"{minutes // 60}:{minutes % 60:02d} h"
