"""Emission lines, as the page tells of them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from fourlight.report.pictures import address
from fourlight.report.words import digits, ranged, sentence

__all__ = ["lines_section"]

Facts = Mapping[str, Any]

LONGEST_PX = 900
"""Of a picture on the page."""
OF_SKY, BY_DARKEST = (
    "standard error, the same for all pixels",
    "standard error of its darkest parts alone: light that fills the field is not in it, and may be many times as much",
)
"""What the error of the sky level means, and where faint light fills the field."""
NONE: dict[str, Any] = {
    "lines": [], "line_leaks": [], "line_shares": [], "line_recipes": [], "line_views": [], "line_doubts": [],
    "line_notes": [], "line_assumptions": [], "line_names": [], "line_about": "", "line_sky": OF_SKY,
}  # fmt: skip


def lines_section(facts: Facts | None, pictures: Path | None) -> dict[str, Any]:
    """What ``lines.json`` holds as tables, and the pictures of a folder; nothing where there is none."""
    if not facts:
        return dict(NONE)
    names = {name: kind["name"] for name, kind in facts["kinds"].items()}
    lines = {name: said for name, said in names.items() if name != "continuum"}
    return {
        "lines": [_kind(kind) for kind in facts["kinds"].values()],
        "line_names": list(lines.values()),
        "line_leaks": [
            {"name": said, "cells": [_leak(facts, to, of) for of in lines]} for to, said in lines.items()
        ],
        "line_shares": [
            {
                "name": said,
                "cells": [ranged(facts["information"][name][c], 1, 100, " %") for c in ("R", "G", "B")],
                "left": ranged(facts["without_green"][name], 2),
            }
            for name, said in lines.items()
            if name in facts["information"]
        ],
        "line_recipes": _recipes(facts, lines),
        "line_views": _views(facts, pictures),
        "line_doubts": facts["doubts"],
        "line_notes": facts["notes"],
        "line_assumptions": [sentence(each) for each in facts["assumptions"]],
        "line_about": _about(facts),
        "line_sky": BY_DARKEST if facts.get("filled") else OF_SKY,
    }


def _about(facts: Facts) -> str:
    beside = facts.get("broadband")
    what = "with continuum from" if "continuum" in facts["kinds"] else "beside"
    broad = f", {what} {beside['name']} ({beside['filter']})" if beside else ""
    return f"camera {facts['camera']} behind filter {facts['filter']}{broad}"


def _kind(kind: Facts) -> dict[str, str]:
    unit = "e⁻" if kind["unit"] == "electron" else "R" if kind["unit"] == "rayleigh" else kind["unit"]
    sky = kind.get("sky_error")
    return {
        "name": _headed(kind["name"]),
        "light": f"{digits(kind['light'])} {unit}",
        "noise": f"{digits(kind['noise'])} {unit}",
        "cost": f"{kind['inflation'] ** 0.5:.2f}",
        "sky": "not known" if sky is None else f"{digits(sky, 2)} {unit}",
        "scale": f"{100 * kind['scale_error']:.1f} %",
    }


def _headed(name: str) -> str:
    """A name as it stands at the head of a row."""
    return name[:1].upper() + name[1:]


def _leak(facts: Facts, to: str, of: str) -> str:
    return "" if to == of else f"{100 * facts['leak'][to][of]:.2g} %"


def _recipes(facts: Facts, lines: Mapping[str, str]) -> list[dict[str, Any]]:
    """Ways to make lines, ours first: of each pair of lines what leaks, and the noise of each."""
    covered = (
        set.intersection(*(set(each["noise"]) for each in facts["recipes"])) if facts["recipes"] else set()
    )
    lines = {name: said for name, said in lines.items() if name in covered}
    pairs = [(to, of) for to in lines for of in lines if to != of]
    ours = {
        "name": "As here",
        "leaks": [f"0 ± {196 * facts['leak'][to][of]:.1f} %" for to, of in pairs],
        "noise": ["1" for _ in lines],
    }
    others = [
        {
            "name": _headed(each["name"]),
            "leaks": [_between(each["leak"][to][of], lines[to]) for to, of in pairs],
            "noise": [_noise(each["noise"][name], said) for name, said in lines.items()],
        }
        for each in facts["recipes"]
    ]
    rows = [ours, *others]
    heads = [f"{lines[of]} told as {lines[to]}" for to, of in pairs]
    return (
        [{"heads": [*heads, *(f"Noise of {said}" for said in lines.values())], "rows": rows}] if lines else []
    )


def _noise(value: float | None, line: str) -> str:
    return f"takes no {line}" if value is None else f"{value:.2f}"


def _between(leak: Facts, line: str) -> str:
    """A leak with its interval, half of it; it has no value where nothing is taken of the line as which it is told.

    >>> _between({"value": 0.2, "low": 0.15, "high": 0.25}, "Hα")
    '20.0 ± 5.0 %'
    >>> _between({"value": 0.2, "low": 0.1, "high": None}, "Hα"), _between({"value": None}, "[OIII]")
    ('20.0 %, no interval', 'takes no [OIII]')
    """
    if leak["value"] is None:
        return f"takes no {line}"
    value = 100 * leak["value"]
    told = f"{0.0 if abs(value) < 1e-6 else value:.1f}"
    low, high = (np.nan if leak[end] is None else leak[end] for end in ("low", "high"))
    return f"{told} ± {50 * (high - low):.1f} %" if np.isfinite(high - low) else f"{told} %, no interval"


def _views(facts: Facts, pictures: Path | None) -> list[dict[str, str]]:
    """Pictures as data addresses."""
    out = []
    for one in facts.get("pictures") or ():
        path = pictures / f"{one['name']}.jpg" if pictures else None
        if path is not None and path.exists():
            shown = address(path, LONGEST_PX)
            out.append({"title": one["title"], "words": sentence(one["words"]), "address": shown})
    return out
