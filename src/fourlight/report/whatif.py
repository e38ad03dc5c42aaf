"""A what-if in words: what changed, what it costs in signal over noise and hours, and what it cannot show."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fourlight.report.figure_style import NAMES
from fourlight.report.words import UNKNOWN, counted, digits, duration, listed, ranged

__all__ = ["LIMITS", "asked_words", "facts_list", "lead", "limits", "lines", "rows"]

METHODS = {"drizzle": "drops", "least-squares": "least squares"}
ROW_NAMES = {**NAMES, "all": "All together"}
LIMITS = """\
Light can be added, never removed: noise that was counted stays, and no sky darker than that of the lights can be shown.
The added light has no gradient, reflections or clouds of its own: a real sky of that brightness may be worse by them.
A camera rounds to whole steps once, these lights were rounded twice: a twelfth of a squared step more variance.
To lights of a run that has no flats, light is added evenly; that of a real sky would be dimmer in the corners.
""".splitlines()


def asked_words(facts: Mapping[str, Any]) -> str:
    """What was asked for, as a heading: ``A sky of 19.5, 8 subs``."""
    asked, parts = facts["asked"], []
    if asked["mag"] is not None:
        parts.append(f"a sky of {asked['mag']:g} mag per square arcsec")
    if asked["factor"] is not None:
        parts.append(f"a sky {digits(asked['factor'])} times as bright")
    if asked["moon"] is not None:
        moon = asked["moon"]
        parts.append(f"a Moon lit to {100 * moon['lit']:.0f} % at {moon['apart_deg']:.0f} degrees")
    if asked["subs"] is not None:
        parts.append(f"{asked['subs']} subs")
    if asked["without"] is not None:
        parts.append(f"no {NAMES[asked['without']].lower()}")
    text = listed(parts)
    return text[0].upper() + text[1:]


def lead(facts: Mapping[str, Any]) -> str:
    """The one sentence that matters."""
    every = facts["channels"]["all"]
    told, what = (every["object"], "the object") if every["object"] else (every["faint"], "faint light")
    if told is None and every["snr"]["after"] == 0:
        return "The channels that are left show no light of the object."
    if told is None:
        return "Too little of the field is empty sky or object to tell signal over noise."
    share = {"value": told["ratio"], "low": told["low"], "high": told["high"]}
    hours = {
        "before": duration(3600 * facts["hours"]["before"]),
        "after": duration(3600 * facts["hours"]["after"]),
    }
    same = told["hours_for_the_same"]
    text = (
        f"All channels together tell {what} with {ranged(share, 3)} times the signal over noise. "
        f"{hours['before']} were taken; "
    )
    return text + f"to tell as much, {_hours(same)} like this are needed."


def _hours(part: Mapping[str, Any]) -> str:
    """Hours with their interval."""
    if part["value"] < 2:
        return ranged(part, 1, 60, " min")
    return ranged(part, 2, 1, " h")


def rows(facts: Mapping[str, Any]) -> list[list[str]]:
    """The table: head, then a row for each channel and for all."""
    head = ["", "Noise of empty sky", "then", "SNR of the object", "then", "SNR of faint light, times",
            "SNR of the object, times", "Time for the same faint light, times"]  # fmt: skip
    out = [head]
    for name, part in facts["channels"].items():
        faint, thing = part["faint"], part["object"]
        out.append(
            [
                ROW_NAMES[name],
                digits(part["noise"]["before"]), digits(part["noise"]["after"]),
                digits(part["snr"]["before"]), digits(part["snr"]["after"]),
                _ratio(faint), _ratio(thing), _times(faint, facts),
            ]
        )  # fmt: skip
    return out


def _ratio(part: Mapping[str, Any] | None) -> str:
    if part is None:
        return UNKNOWN
    return ranged({"value": part["ratio"], "low": part["low"], "high": part["high"]}, 3)


def _times(part: Mapping[str, Any] | None, facts: Mapping[str, Any]) -> str:
    if part is None or not facts["hours"]["before"]:
        return UNKNOWN
    return ranged(part["hours_for_the_same"], 2, 1 / facts["hours"]["before"])


def facts_list(facts: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Numbers beside each other."""
    lights, sky = facts["lights"], facts["sky"]
    out = [("Lights", f"{lights['before']}, then {lights['after']}")]
    if sky is not None:
        out += [
            (f"Added in {NAMES[plane[0]].lower()}", f"{digits(value)} e a sample")
            for plane, value in sky["added_e"].items()
            if plane != "G2"
        ]
        for name, key in (("Sky was", "was_mag"), ("Sky is", "is_mag")):
            if sky[key]:
                out.append((name, f"{sky[key]['median']:.2f} mag per square arcsec"))
        if sky["moon_mag"] is not None:
            out.append(("Moonlight by itself", f"{sky['moon_mag']:.2f} mag per square arcsec"))
    if facts["lights"]["with_added_light"]:
        out.append(("Written", f"{lights['megabytes_written']:,.0f} MB of new lights"))
    return out


def limits(facts: Mapping[str, Any]) -> list[str]:
    """What it cannot show, and what befell single lights."""
    out, lights, sky = [], facts["lights"], facts["sky"]
    if sky is not None:
        out += LIMITS
        if sky["left_as_they_were"]:
            out.append(
                f"{counted(sky['left_as_they_were'], 'light')} had a sky as bright already and stayed as they were."
            )
    if facts["asked"]["subs"] is not None:
        out.append("The subs were chosen evenly over time and by chance, not by how good they are.")
    if facts["asked"]["without"]:
        out.append(
            "Every plane is made of its own samples only, so that leaving one out changes no other; stars that place "
            "the lights were still those of all planes."
        )
    if lights["method"][0] != lights["method"][1]:
        out.append(
            f"With these lights samples become planes by {METHODS[lights['method'][1]]}, not by "
            f"{METHODS[lights['method'][0]]}: noise of small patches differs by some per cent by that alone."
        )
    if lights["set_aside_after"]:
        named = listed([f"{item['file']} ({item['reason']})" for item in lights["set_aside_after"][:3]])
        out.append(f"{counted(len(lights['set_aside_after']), 'light')} set aside in the new run: {named}.")
    return out


def lines(facts: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Heading and text of the lines of the terminal."""
    out = [("what if", asked_words(facts)), ("", lead(facts))]
    for name, part in facts["channels"].items():
        if part["faint"]:
            out.append(
                (ROW_NAMES[name].lower(), f"signal over noise of faint light times {_ratio(part['faint'])}")
            )
    out += [("sky", f"{name.lower()}: {value}") for name, value in facts_list(facts) if "ky" in name]
    out += [("assumed", each) for each in facts["assumed"]]
    return out
