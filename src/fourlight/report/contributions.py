"""What every channel contributed, as a table of shares with intervals for the page."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from fourlight.report.shares import share_bar

__all__ = ["contributions", "kind_name", "region_name"]

Facts = Mapping[str, Any]

KINDS = {
    "electrons": ("Electrons", "what was counted"),
    "luminance": ("Luminance", "what the eye makes of the balanced picture (Rec. 709)"),
    "information": ("Information", "what fixes the light: SNR squared, sky and read noise counted"),
    "detail": ("Fine detail", "information on what varies within a few pixels"),
}
REGIONS = {"object": "the object", "stars": "the stars", "sky": "the sky"}
"""Names of the regions that are found; those of the user's are their own."""
CHANNELS = ("R", "G", "B", "G1", "G2")


def contributions(found: Facts | None) -> dict[str, Any]:
    """Tables and bars of the shares in ``channels.json``; nothing where that is missing."""
    if not found or not found.get("shares"):
        return {"contributed": [], "contributed_scope": "", "contributed_notes": [], "sharp": [], "cause": ""}
    regions = list(found.get("regions") or {})
    order = [name for name in REGIONS if name in regions] + [name for name in regions if name not in REGIONS]
    tables = [_table(found, name) for name in order]
    return {
        "contributed": [table for table in tables if table["rows"]],
        "contributed_scope": _scope(found),
        "contributed_notes": list(found.get("notes") or ()),
        "sharp": [_sharpness(found, channel) for channel in CHANNELS] if found.get("width") else [],
        "cause": found.get("cause") or "",
    }


def _sharpness(found: Facts, channel: str) -> dict[str, str]:
    """Width of stars and finest detail of a channel, in arcseconds where the scale is known."""
    width, detail = (found.get(key, {}).get(channel) or {} for key in ("width", "resolution"))
    reason = detail.get("reason")
    return {
        "name": channel,
        "width": _size(width),
        "detail": reason or (_limit(detail) if detail.get("at_limit") else _size(detail)),
    }


def _limit(part: Facts) -> str:
    """The finest that is claimed, where detail reaches to it.

    >>> _limit({"value": 3.0, "arcsec": None})
    '3.00 px or finer'
    """
    arcsec = (part.get("arcsec") or {}).get("value")
    return f"{part['value']:.2f} px{f', {arcsec:.2f}″' if arcsec else ''} or finer"


def _size(part: Facts) -> str:
    """A size with its error, in pixels, and in arcseconds where known.

    >>> _size({"value": 2.0, "low": 1.9, "high": 2.1, "arcsec": {"value": 3.0, "low": 2.85, "high": 3.15}})
    '2.00 ± 0.10 px, 3.00 ± 0.15″'
    """
    said = []
    for facts, unit in ((part, " px"), (part.get("arcsec") or {}, "″")):
        value, low, high = (facts.get(key) for key in ("value", "low", "high"))
        if value is None or low is None or high is None or not math.isfinite(high - low):
            continue
        said.append(f"{value:.2f} ± {max((high - low) / 2, 0.01):.2f}{unit}")
    return ", ".join(said) or "not known"


def _table(found: Facts, region: str) -> dict[str, Any]:
    rows = []
    for kind, (label, meaning) in KINDS.items():
        shares = found["shares"].get(kind, {}).get(region)
        if shares:
            known = {plane: shares[plane]["value"] for plane in ("R", "G1", "G2", "B")}
            planes = {
                plane: value and max(value, 0.0) for plane, value in known.items()
            }  # chance goes below 0
            rows.append(
                {
                    "label": label,
                    "meaning": meaning,
                    "bar": Markup(share_bar(planes, f"{label}, {region_name(region)}")),
                    "shares": [_share(shares[channel]) for channel in CHANNELS],
                }
            )
    return {"name": region_name(region), "rows": rows}


def kind_name(kind: str) -> str:
    """What a kind of share is called."""
    return KINDS[kind][0] if kind in KINDS else kind.capitalize()


def region_name(region: str) -> str:
    """What a region is called in a sentence; those of the user in quotes."""
    return REGIONS.get(region, f"“{region}”")


def _share(part: Facts) -> str:
    """A share in per cent with its error, that of half its interval.

    >>> _share({"value": 0.5432, "low": 0.5411, "high": 0.5453}), _share({"value": None, "low": 0.0, "high": 1.0})
    ('54.3 ± 0.2', 'not known')
    """
    value, low, high = part.get("value"), part.get("low"), part.get("high")
    if value is None or low is None or high is None:
        return "not known"
    half = 50 * (high - low)
    digits = 1 if half < 2 else 0
    return f"{100 * value:.{digits}f} ± {max(half, 0.1 if digits else 1):.{digits}f}"


def _scope(found: Facts) -> str:
    """For what the intervals hold."""
    nights, lights = found.get("nights") or 0, found.get("lights") or 0
    if found.get("scope") == "nights like these":
        return (
            f"Intervals (95 %) are for nights like these: they come from leaving out one of the {nights} nights after "
            "the other."
        )
    return (
        f"Intervals (95 %) are for these {lights} lights and no more: what another night would bring takes three or "
        "more nights to say, each of at least three dated lights."
    )
