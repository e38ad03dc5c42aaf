"""Lights of several kinds in one stack: what is known of each kind."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fourlight.report.words import UNKNOWN, digits, reached, with_error

__all__ = ["kinds_table"]

Facts = Mapping[str, Any]


def kinds_table(summary: Facts) -> list[dict[str, Any]]:
    """Rows for kinds of lights (camera, size, gain setting); empty where all lights are alike.

    Only lights that are in the stack count.
    """
    used = {frame.get("path") for frame in summary.get("frames") or ()}
    rows = []
    for kind in summary.get("kinds") or ():
        gain, error = (reached(kind, "noise", key) for key in ("gain_e_per_adu", "gain_error"))
        rows.append(
            {
                "name": kind.get("kind") or UNKNOWN,
                "lights": sum(path in used for path in kind.get("files") or ()),
                "pattern": reached(kind, "mosaic", "pattern") or UNKNOWN,
                "gain": UNKNOWN if gain is None else f"{with_error(gain, error)} e⁻/ADU",
                "read_noise": digits(reached(kind, "noise", "read_noise_e"), 2),
            }
        )
    return rows
