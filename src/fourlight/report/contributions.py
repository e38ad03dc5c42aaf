"""What every channel contributed, as a table of shares with intervals for the page."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from markupsafe import Markup

from fourlight.report.in_common import in_common
from fourlight.report.shares import share_bar
from fourlight.report.words import percent, ranged

__all__ = ["CHANNEL_NAMES", "contributions", "kind_name", "ordered_regions", "region_name", "scope_words"]

Facts = Mapping[str, Any]

KINDS = {
    "electrons": ("Electrons", "what was counted"),
    "luminance": ("Luminance", "what the eye makes of the balanced picture (Rec. 709)"),
    "information": ("Information", "what fixes the light: SNR squared, sky and read noise counted"),
    "detail": ("Fine detail", "information on what varies within a few pixels"),
}
REGIONS = {"object": "the object", "stars": "the stars", "sky": "the sky"}
"""Names of the regions that are found; those of the user's are their own."""
NIGHTS = "nights like these"
CHANNEL_NAMES = {"R": "Red", "G": "Green", "G1": "Green 1", "G2": "Green 2", "B": "Blue"}
CHANNELS = tuple(CHANNEL_NAMES)
CONTRIBUTED = (
    "Four different things, measured on the raw samples of all lights against the finished stack and never mixed: a "
    "channel that brings most of the brightness need not bring most of the information."
)
WIDTH = ("Width of stars", "FWHM in the lights, mean of them, pixel taken out")
DETAIL = ("Finest detail", "length of a cycle that both half stacks show")
"""Headings of columns, and what they mean."""


def contributions(found: Facts | None) -> dict[str, Any]:
    """Tables and bars of the shares in ``channels.json``; nothing where that is missing."""
    if not found or not found.get("shares"):
        return {
            "contributed": [],
            "contributed_meaning": "",
            "contributed_scope": "",
            "contributed_object": "",
            "contributed_notes": [],
            "sharp": [],
            "sharp_heads": (),
            "sharp_meaning": "",
            "cause": "",
            "in_common": [],
        }
    tables = [_table(found, name) for name in ordered_regions(found.get("regions") or {})]
    return {
        "contributed": [table for table in tables if table["rows"]],
        "contributed_meaning": CONTRIBUTED,
        "contributed_scope": scope_words(found),
        "contributed_object": _object_words((found.get("regions") or {}).get("object") or {}),
        "contributed_notes": list(found.get("notes") or ()),
        "sharp": [_sharpness(found, channel) for channel in CHANNELS] if found.get("width") else [],
        "sharp_heads": (WIDTH, DETAIL),
        "sharp_meaning": _sharp_meaning(found),
        "cause": found.get("cause") or "",
        "in_common": in_common(found),
    }


def _sharp_meaning(found: Facts) -> str:
    """What the numbers of widths and of detail are, and for what their intervals hold."""
    scope = NIGHTS if found.get("scope") == NIGHTS else "these lights"
    return (
        f"± and what stands in brackets: 95 %. Those of widths are, like those of shares, for {scope}; those of the "
        "finest detail say how well these half stacks fix it, not what other nights would give. Seeing makes all "
        "colours wider or narrower together: how much wider one is than another is known better than either width. A "
        "cycle is a bright stripe and a dark one. In the stack stars have another width (“What each plane holds”): "
        "there the pixel counts, lights weigh differently, and putting them on one grid blurs a little."
    )


def _object_words(region: Facts) -> str:
    """What counts as the object, how much of the stack that is, and how it differs from what the picture takes for it.

    >>> _object_words({"share_of_stack": 0.7334})[:72]
    'The object is all light that stands out of the noise of the sky, but for'
    >>> _object_words({})
    ''
    """
    share = region.get("share_of_stack")
    if not isinstance(share, int | float):
        return ""
    return (
        f"The object is all light that stands out of the noise of the sky, but for stars: {percent(share)} of the "
        "stack. The sky of the picture is another choice: what lies at the level of a smooth surface, the faintest of "
        "the object with it."
    )


def _sharpness(found: Facts, channel: str) -> dict[str, str]:
    """Width of stars and finest detail of a channel, in arcseconds where the scale is known."""
    width, detail = (found.get(key, {}).get(channel) or {} for key in ("width", "resolution"))
    reason = detail.get("reason")
    return {
        "channel": CHANNEL_NAMES[channel],
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
    """A size with its interval, in pixels, and in arcseconds where known.

    >>> _size({"value": 2.0, "low": 1.9, "high": 2.1, "arcsec": {"value": 3.0, "low": 2.85, "high": 3.15}})
    '2.00 ± 0.10 px, 3.00 ± 0.15″'
    """
    both = [
        ranged(facts, 2, 1.0, unit) for facts, unit in ((part, " px"), (part.get("arcsec"), "″")) if facts
    ]
    return ", ".join(both) or "not known"


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
                    "shares": [ranged(shares[channel], 1, 100, " %") for channel in CHANNELS],
                    "intervals": [shares[channel] for channel in CHANNELS],
                }
            )
    return {"name": region_name(region), "rows": rows}


def ordered_regions(regions: Iterable[str]) -> list[str]:
    """Regions as they are shown: those that are found, then the user's.

    >>> ordered_regions(["core", "sky", "object"])
    ['object', 'sky', 'core']
    """
    names = list(regions)
    return [name for name in REGIONS if name in names] + [name for name in names if name not in REGIONS]


def kind_name(kind: str) -> str:
    """What a kind of share is called."""
    return KINDS[kind][0] if kind in KINDS else kind.capitalize()


def region_name(region: str) -> str:
    """What a region is called in a sentence; those of the user in quotes."""
    return REGIONS.get(region, f"“{region}”")


def scope_words(found: Facts) -> str:
    """For what the intervals hold."""
    nights, lights = found.get("nights") or 0, found.get("lights") or 0
    if found.get("scope") == NIGHTS:
        return (
            f"Intervals (95 %) are for nights like these: they come from leaving out one of the {nights} nights after "
            "the other."
        )
    return (
        f"Intervals (95 %) are for these {lights} lights and no more: what another night would bring takes three or "
        "more nights to say, each of at least three dated lights."
    )
