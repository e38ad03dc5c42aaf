"""Shares of a whole: in per cent that sum to 100 as printed, and as bars (inline SVG)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from html import escape
from typing import Any

from fourlight.core.cfa import PLANES

__all__ = ["Tenths", "in_tenths", "printed", "share_bar"]

Tenths = dict[str, int]
"""Whole tenths of a per cent by name."""


def in_tenths(shares: Mapping[str, Any]) -> Tenths:
    """Shares of their own sum in tenths of a per cent that sum to 1000; empty if any of them is not known.

    Each share is cut to whole tenths; the tenths that are left over go to the largest remainders, those of equal
    remainder in the order given (largest-remainder method of apportionment).

    >>> in_tenths({"R": 1, "G": 1, "B": 1})
    {'R': 334, 'G': 333, 'B': 333}
    """
    known = {name: float(v) for name, v in shares.items() if _is_share(v)}
    total = sum(known.values())
    if not known or len(known) < len(shares) or total <= 0:
        return {}
    exact = {name: 1000 * value / total for name, value in known.items()}
    whole = {name: math.floor(value) for name, value in exact.items()}
    order = sorted(exact, key=lambda name: whole[name] - exact[name])
    for name in order[: 1000 - sum(whole.values())]:
        whole[name] += 1
    return whole


def _is_share(value: Any) -> bool:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and math.isfinite(value) and value >= 0


def printed(tenths: int) -> str:
    """Tenths of a per cent in words.

    >>> printed(334), printed(5)
    ('33.4 %', '0.5 %')
    """
    return f"{tenths / 10:.1f} %"


def share_bar(shares: Mapping[str, Any], label: str) -> str:
    """One bar divided by the planes' shares of a total; it has no text, so that it may be of any width."""
    tenths = in_tenths({name: shares.get(name) for name in PLANES})
    if not tenths:
        return ""
    words = ", ".join(f"{name} {printed(value)}" for name, value in tenths.items())
    size = 'viewBox="0 0 640 34" preserveAspectRatio="none"'
    out = [f'<svg class="shares" {size} role="img" aria-label="{escape(label)}: {words}">']
    x = 0.0
    for name, value in tenths.items():
        width = 640 * value / 1000
        out.append(
            f'<rect class="f-{name}" x="{x:.1f}" y="0" width="{max(width - 1.5, 0.5):.1f}" height="34"/>'
        )
        x += width
    return "".join(out) + "</svg>"
