"""Which calibration frames were applied to the lights, and what was done where there were none."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from fourlight.frames import Role
from fourlight.report.aside import role_count
from fourlight.report.grounds import given_names
from fourlight.report.words import UNKNOWN, counted, digits, listed, reached, sentence, typeset
from fourlight.stages.groups import ROLE_NAMES

__all__ = [
    "applied",
    "calibration_rows",
    "darkened",
    "dropped_later",
    "lacking",
    "misfits",
    "not_applied",
    "scaled",
]

Facts = Mapping[str, Any]

NO_FLAT = (
    "No flat was applied: the light lost towards the corners and the shadows of dust are still in the stack."
)
NO_LIGHT_BACK = (
    " The sky surface that is taken off the picture levels its sky, but does not bring that light back."
)
DARKS = ("dark", "scaled dark")
"""What may be taken off a light that holds a dark (`fourlight.stages.offsets.Offset`)."""
SOURCES = {"recipe": "the recipe", "header": "the header", "lights": "the lights themselves"}


def applied(summary: Facts) -> str:
    """Calibration frames in masters, counted; 'none' where there are none.

    >>> applied({"calibration": {"calibration_frames": {"dark": {"in_masters": 1}, "flat": {"in_masters": 6}}}})
    '1 dark and 6 flats'
    """
    counts = reached(summary, "calibration", "calibration_frames")
    if not isinstance(counts, Mapping):
        return UNKNOWN
    used = {role: reached(counts, role, "in_masters") or 0 for role in ("dark", "flat", "bias", "darkflat")}
    return listed([role_count(role, number) for role, number in used.items() if number]) or "none"


def untouched(summary: Facts) -> bool:
    """Whether no calibration frame of any kind went into the lights."""
    how = reached(summary, "calibration", "offset_taken_off")
    flats = reached(summary, "calibration", "lights_with_flat")
    return isinstance(how, Mapping) and not flats and not darkened(how) and not how.get("bias")


def not_applied(summary: Facts) -> str:
    """Sentence about flats and darks that no light got; empty where lights got both."""
    how = reached(summary, "calibration", "offset_taken_off")
    if not isinstance(how, Mapping):
        return ""
    missing = [] if reached(summary, "calibration", "lights_with_flat") else ["flat"]
    missing += [] if darkened(how) else ["dark"]
    if not missing:
        return ""
    said = [f"No {' and no '.join(missing)} was applied; what was done instead is said below."]
    names = given_names(summary, {})
    return " ".join([*said, *(typeset(sentence(remark), names) for remark in misfits(summary))])


def misfits(summary: Facts) -> list[str]:
    """Why darks and flats that were found serve no light, in the words of the calibration; empty where lights got both.

    >>> misfits({"calibration": {"offset_taken_off": {"none": 2}, "lights_with_flat": 2, "notes": [
    ...     "6 darks (60 s) left out: gain 200 instead of 100.", "Gain known."]}})
    ['6 darks (60 s) left out: gain 200 instead of 100']
    """
    how = reached(summary, "calibration", "offset_taken_off")
    if not isinstance(how, Mapping):
        return []
    missing = [] if darkened(how) else [Role.DARK]
    missing += [] if reached(summary, "calibration", "lights_with_flat") else [Role.FLAT]
    words = "|".join(re.escape(word) for role in missing for word in ROLE_NAMES[role])
    said = re.compile(rf"\d+ (?:{words})(?: \(.*?\))? left out: ")
    return [
        str(note).rstrip(".")
        for note in reached(summary, "calibration", "notes") or ()
        if words and said.match(str(note))
    ]


def calibration_rows(summary: Facts, recipe: Facts) -> list[tuple[str, str, str]]:
    """Kind of frame, how many are in its master, what was done with it or instead of it."""
    calibration = summary.get("calibration") or {}
    how = calibration.get("offset_taken_off")
    if not isinstance(how, Mapping):
        return []
    lights = sum(how.values())
    flats = int(calibration.get("lights_with_flat") or 0)
    rows = [
        ("Darks", _frames(calibration, "dark"), _darks(summary, how, lights)),
        ("Flats", _frames(calibration, "flat"), _flats(flats, lights, recipe)),
        ("Bias frames", _frames(calibration, "bias"), _bias(calibration, how)),
    ]
    if reached(calibration, "calibration_frames", "darkflat", "usable"):
        rows.append(("Darks for flats", _frames(calibration, "darkflat"), "Taken off the flats."))
    return [*rows, _defects(calibration, how, recipe, several=bool(summary.get("kinds")))]


def darkened(how: Facts) -> int:
    """Lights from which a dark was taken off, scaled or not.

    >>> darkened({"dark": 3, "scaled dark": 1, "bias": 2})
    4
    """
    return sum(int(how.get(name, 0)) for name in DARKS)


def lacking(darks: int, flats: int, lights: int) -> list[str]:
    """What some or all lights do without.

    Parameters
    ----------
    darks, flats : int
        Lights that get them.
    lights : int

    >>> lacking(0, 4, 6), lacking(6, 6, 6)
    (['no dark applied', 'no flat applied to 2 of 6 lights'], [])
    """
    return [
        f"no {kind} applied" + (f" to {lights - count} of {lights} lights" if count else "")
        for kind, count in (("dark", darks), ("flat", flats))
        if count < lights
    ]


def scaled(how: Facts) -> int:
    """Lights from which a dark of another exposure was taken off.

    >>> scaled({"dark": 3, "scaled dark": 1, "bias": 2})
    1
    """
    return int(how.get("scaled dark", 0))


def _frames(calibration: Facts, role: str) -> str:
    counts = reached(calibration, "calibration_frames", role)
    if not isinstance(counts, Mapping):
        return UNKNOWN
    usable, used = counts.get("usable") or 0, counts.get("in_masters") or 0
    if not usable:
        return "none"
    return f"{used}" if used == usable else f"{used} of {usable}"


def _darks(summary: Facts, how: Facts, lights: int) -> str:
    said = []
    if how.get("dark"):
        said.append(f"Taken off {_of(how['dark'], lights)}.")
    if scaled(how):
        said.append(f"Scaled to their exposure and taken off {_of(scaled(how), lights)}.")
    others = {name: count for name, count in how.items() if name not in DARKS and count}
    for name, count in others.items():
        who = "" if count == lights else f" to {_of(count, lights)}"
        said.append(f"No dark was applied{who}: {_instead(summary, name)}.")
    if others and not reached(summary, "calibration", "defects_of_profile"):
        said.append("Warm and dead samples were looked for in the lights alone.")
    return " ".join(said)


def _instead(summary: Facts, name: str) -> str:
    if name == "bias":
        return "the bias was taken off instead, and the glow of the sensor stays in"
    if name == "none":
        return "nothing was taken off, for the level of no light is not known"
    level = reached(summary, "noise", "pedestal_adu")
    return f"a level of {digits(level, 4)} ADU was taken off all samples instead (from {SOURCES.get(name, name)})"


def _flats(flats: int, lights: int, recipe: Facts) -> str:
    if not flats:
        gradient = reached(recipe, "finish", "gradient") or {}
        surface = gradient.get("use") and gradient.get("order")
        return NO_FLAT + (NO_LIGHT_BACK if surface else "")
    rest = "" if flats == lights else f" No flat was applied to the other {counted(lights - flats, 'light')}."
    return f"{_of(flats, lights, start=True)} divided by a flat.{rest}"


def _bias(calibration: Facts, how: Facts) -> str:
    if how.get("bias"):
        return f"Taken off {counted(how['bias'], 'light')}."
    if scaled(how):
        return "Taken off the darks before they were scaled to the exposure of the lights."
    if reached(calibration, "calibration_frames", "bias", "in_masters"):
        return f"Taken off the flats{'; the darks hold it for the lights' if darkened(how) else ''}."
    if reached(calibration, "calibration_frames", "bias", "usable"):
        return "Used for gain and read noise only."
    return "Not needed: the darks hold the bias." if darkened(how) else "See the darks."


def _defects(calibration: Facts, how: Facts, recipe: Facts, *, several: bool) -> tuple[str, str, str]:
    if reached(recipe, "calibrate", "defects") == "off":
        return "Defective samples", UNKNOWN, "Not looked for: calibrate.defects is off in the recipe."
    number = calibration.get("defective_samples")
    if not isinstance(number, int):
        return "Defective samples", UNKNOWN, ""
    of_map = calibration.get("defects_of_profile")
    known = f"the map of the camera profile ({of_map:,} samples)" if of_map else ""
    where = listed([name for name in ("the lights", "the darks" if darkened(how) else "", known) if name])
    left = "Left out of the stack; found" if number else "None found"
    apart = (
        ", each kind of them by itself: what several kinds share counts for each"
        if number and several
        else ""
    )
    return "Defective samples", f"{number:,}" if number else "none", f"{left} from {where}{apart}."


def dropped_later(summary: Facts) -> str:
    """That some lights which were calibrated are not in the stack; empty where all are.

    >>> dropped_later({"calibration": {"offset_taken_off": {"dark": 24}}, "frames": [{}] * 23})
    '24 lights were calibrated; 23 of them are in the stack, the other one was set aside later.'
    """
    how = reached(summary, "calibration", "offset_taken_off")
    lights, used = sum(how.values()) if isinstance(how, Mapping) else 0, len(summary.get("frames") or ())
    if lights <= used:
        return ""
    others = "the other one was" if lights - used == 1 else f"the other {lights - used} were"
    return f"{lights} lights were calibrated; {used} of them are in the stack, {others} set aside later."


def _of(count: int, lights: int, *, start: bool = False) -> str:
    """So many of all lights."""
    every = {1: "the light", 2: "both lights"}.get(lights, f"all {counted(lights, 'light')}")
    text = every if count == lights else f"{count} of {counted(lights, 'light')}"
    text += (" was" if lights == 1 else " were") if start else ""
    return text[0].upper() + text[1:] if start else text
