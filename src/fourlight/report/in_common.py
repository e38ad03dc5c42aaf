"""What the channels have in common, and how much of each was measured, in sentences for the page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fourlight.report.words import digits, listed, percent, ranged

__all__ = ["in_common"]

Facts = Mapping[str, Any]

WORDS = {"R": "red", "G": "green", "B": "blue", "R and B": "both together"}
PLANES = ("R", "G1", "G2", "B")


def in_common(found: Facts) -> list[str]:
    """Sentences on shared structure, light of the object, filters that overlap and samples; [] where none is known."""
    common = found.get("common") or {}
    said = [
        _structure(common.get("structure_of_green") or {}),
        _line_light((found.get("light") or {}).get("object_over_stars") or {}),
        _elsewhere(common.get("response_where_another_leads") or {}),
        _filled_in(found.get("measured") or {}),
    ]
    return [sentence for sentence in said if sentence]


def _structure(regions: Facts) -> str:
    """Of the object, or where there is none of the stars."""
    region = next((name for name in ("object", "stars") if regions.get(name)), None)
    if region is None:
        return ""
    known = [(who, ranged(part, 0, 100, " %")) for who, part in regions[region].items()]
    shares = [
        f"{WORDS[who]} {'show' if ' ' in who else 'shows'} {said}" for who, said in known if said[0].isdigit()
    ]
    where = "the object" if region == "object" else "the stars"
    return f"Of what green shows of {where}, {listed(shares)}; the rest is green’s own." if shares else ""


def _line_light(ratios: Facts) -> str:
    """How the object's colour differs from that of stars, whose light is continuous."""
    known = {name: ratios.get(f"{name}_over_G") or {} for name in ("R", "B")}
    if any((part or {}).get("value") is None for part in known.values()):
        return ""
    told = [f"{ranged(part, 2)} times as much {WORDS[name]}" for name, part in known.items()]
    return (
        f"For its green, the object has {listed(told)} as the stars, whose light is continuous. At 1 it would have "
        "their colour; more or less comes of emission lines, of dust, or of stars unlike those of the field."
    )


def _elsewhere(response: Facts) -> str:
    known = {name: ends for name, ends in response.items() if None not in ends}
    if not known:
        return ""
    parts = [f"{_between(low, high)} of {WORDS[name]}" for name, (low, high) in known.items()]
    return f"By published curves of sensors, {listed(parts)} responds where another colour responds more."


def _between(low: float, high: float) -> str:
    """Two shares in per cent, or one where they are alike.

    >>> _between(0.16, 0.163), _between(0.32, 0.39)
    ('16 %', '32 to 39 %')
    """
    one, other = percent(low), percent(high)
    return other if one == other else f"{one.removesuffix(' %')} to {other}"


def _filled_in(measured: Facts) -> str:
    one, stack = measured.get("in_one_frame") or {}, measured.get("samples_per_pixel") or {}
    if not one or not stack:
        return ""
    held = ", ".join(f"{name} {digits(stack[name], 2)}" for name in PLANES if name in stack)
    return (
        f"A demosaiced frame measures {percent(one['G'])} of the pixels of green and {percent(one['R'])} of those of "
        "red and of blue, and fills in the rest; this stack fills in none: "
        f"{_behind(measured.get('pixels_without') or {})} (effective ones, in the median: {held})."
    )


def _behind(without: Facts) -> str:
    """On how many pixels of the stack planes have samples.

    >>> _behind({"R": 0, "G1": 0, "G2": 0, "B": 0})
    'it has samples behind every pixel of every colour'
    >>> _behind({"R": 1203, "G1": 0, "G2": 0, "B": 1})
    'it has samples behind every pixel but those that stay empty, 1,203 of R and 1 of B'
    """
    empty = [f"{count:,} of {name}" for name, count in without.items() if name in PLANES and count]
    if empty:
        return f"it has samples behind every pixel but those that stay empty, {listed(empty)}"
    return "it has samples behind every pixel" + (" of every colour" if without else " that has a value")
