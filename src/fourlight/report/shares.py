"""Bars of the planes' shares of a total, as inline SVG."""

from __future__ import annotations

import math
from collections.abc import Mapping
from html import escape
from typing import Any

from fourlight.core.cfa import PLANES
from fourlight.report.words import percent

__all__ = ["share_bar"]


def share_bar(shares: Mapping[str, Any], label: str) -> str:
    """One bar divided by the planes' shares of a total, each part named where it is wide enough."""
    known = [(name, shares.get(name)) for name in PLANES]
    values = [
        (name, float(v)) for name, v in known if isinstance(v, int | float) and math.isfinite(v) and v > 0
    ]
    total = sum(v for _, v in values)
    if not total:
        return ""
    words = ", ".join(f"{name} {percent(v / total)}" for name, v in values)
    out = [f'<svg class="shares" viewBox="0 0 640 34" role="img" aria-label="{escape(label)}: {words}">']
    x = 0.0
    for name, value in values:
        width = 640 * value / total
        out.append(
            f'<rect class="f-{name}" x="{x:.1f}" y="0" width="{max(width - 1.5, 0.5):.1f}" height="34"/>'
        )
        if width > 70:
            out.append(f'<text class="on" x="{x + 9:.1f}" y="22">{name} {percent(value / total)}</text>')
        x += width
    return "".join(out) + "</svg>"
