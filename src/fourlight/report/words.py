"""Numbers and facts as a reader wants them: sensible digits, spelled-out times, sentences."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

__all__ = ["counted", "digits", "duration", "lead", "percent", "reached"]

UNKNOWN = "–"


def digits(value: Any, significant: int = 3) -> str:
    """A number with so many significant digits, thousands apart; an en dash where it is not known.

    >>> digits(1234.56), digits(0.012345, 2), digits(None), digits(98765.4)
    ('1,235', '0.012', '–', '98,765')
    """
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return UNKNOWN
    if value == 0:
        return "0"
    decimals = max(0, significant - 1 - math.floor(math.log10(abs(value))))
    return f"{value:,.{min(decimals, 6)}f}"


def percent(value: Any, significant: int = 2) -> str:
    """A share of one in per cent.

    >>> percent(0.5634), percent(0.00012), percent(None)
    ('56 %', '0.012 %', '–')
    """
    if not isinstance(value, int | float) or not math.isfinite(value):
        return UNKNOWN
    return f"{digits(100 * value, significant)} %"


def duration(seconds: Any) -> str:
    """An exposure time in the units people say.

    >>> duration(30), duration(5400), duration(7260), duration(90.5)
    ('30 s', '1 h 30 min', '2 h 1 min', '1.5 min')
    """
    if not isinstance(seconds, int | float) or not math.isfinite(seconds):
        return UNKNOWN
    if seconds < 60:
        return f"{round(float(seconds), 1 if seconds >= 10 else 3):g} s"
    if seconds < 600:
        return f"{round(seconds / 60, 1):g} min"
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours} h {minutes} min" if hours and minutes else f"{hours} h" if hours else f"{minutes} min"


def counted(number: int, noun: str) -> str:
    """A number with its noun in the right form.

    >>> counted(1, "frame"), counted(3, "night")
    ('1 frame', '3 nights')
    """
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def reached(data: Any, *keys: str) -> Any:
    """The value under nested keys, None where any of them is missing.

    >>> reached({"a": {"b": 1}}, "a", "b"), reached({"a": None}, "a", "b")
    (1, None)
    """
    for key in keys:
        if not isinstance(data, Mapping):
            return None
        data = data.get(key)
    return data


def lead(summary: Mapping[str, Any]) -> str:
    """The opening paragraph: what this is, how much light, what was left out, what the light is made of."""
    frames: Sequence[Any] = summary.get("frames") or ()
    aside: Sequence[Any] = summary.get("set_aside") or ()
    nights: Sequence[Any] = summary.get("nights") or ()
    total = reached(summary, "integration", "total_exposure_s")
    subject = summary.get("object")
    first = counted(len(frames), "raw frame")
    first += f" of {subject}" if subject else ""
    first += f" from {counted(len(nights), 'night')}" if nights else ""
    first += f", {duration(total)} of exposure in all," if total else ""
    first += " was" if len(frames) == 1 else " were"
    parts = [first + " calibrated, placed on one grid and combined, each colour from its own pixels only."]
    verb = "was" if len(aside) == 1 else "were"
    parts.append(
        f"{counted(len(aside), 'more frame')} {verb} set aside; the reasons are below."
        if aside
        else "No frame was set aside."
    )
    shares = _green_share(summary)
    if shares:
        parts.append(shares)
    return " ".join(parts)


def _green_share(summary: Mapping[str, Any]) -> str:
    planes = summary.get("planes") or {}
    values = {name: reached(planes, name, "share_of_electrons") for name in ("R", "G1", "G2", "B")}
    if any(not isinstance(value, int | float) or not math.isfinite(value) for value in values.values()):
        return ""
    green = values["G1"] + values["G2"]
    red, blue = percent(values["R"]), percent(values["B"])
    return (
        f"Of all electrons collected, sky included, {red} came through red, {percent(green)} through the two "
        f"greens together and {blue} through blue."
    )
