"""Frames that were set aside, by what they are for: lights are counted with lights, the others apart."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fourlight.report.words import counted, listed
from fourlight.stages.copies import ONCE
from fourlight.stages.groups import ROLE_NAMES

__all__ = ["copies", "kind", "lights_aside", "others_aside", "role_count", "table"]

Facts = Mapping[str, Any]

ROLES: dict[str, tuple[str, str]] = {
    **{str(role): names for role, names in ROLE_NAMES.items()},
    "": ("file of unknown kind", "files of unknown kind"),
}
ONLY_LIGHTS = ("measure", "judge", "register")
"""Stages that see nothing but lights."""


def kind(item: Facts) -> str:
    """Role of a frame that was set aside; empty where nothing says it."""
    role = str(item.get("role") or "")
    return "light" if not role and item.get("stage") in ONLY_LIGHTS else role


def copies(summary: Facts) -> list[Facts]:
    """Files left out because they hold an exposure that another file holds as well: no further frames."""
    return [item for item in summary.get("set_aside") or () if _is_copy(item)]


def _is_copy(item: Facts) -> bool:
    """Whether `fourlight.stages.copies.without_copies` set it aside."""
    return item.get("stage") == "select" and str(item.get("reason")).endswith(ONCE)


def _frames(summary: Facts) -> list[Facts]:
    return [item for item in summary.get("set_aside") or () if not _is_copy(item)]


def lights_aside(summary: Facts) -> list[Facts]:
    """Lights that were set aside, without copies."""
    return [item for item in _frames(summary) if kind(item) == "light"]


def others_aside(summary: Facts) -> str:
    """Calibration frames and files of unknown kind that were set aside, counted without copies; empty if none.

    >>> others_aside({"set_aside": [{"role": "flat"}, {"role": "flat"}, {"role": None}]})
    '2 flats and 1 file of unknown kind'
    """
    kinds = [kind(item) for item in _frames(summary)]
    return listed(
        [role_count(role, kinds.count(role)) for role in ROLES if role != "light" and role in kinds]
    )


def role_count(role: str, number: int) -> str:
    """So many frames of a role in words.

    >>> role_count("bias", 1), role_count("dark", 3)
    ('1 bias frame', '3 darks')
    """
    one, many = ROLES.get(role, ROLES[""])
    return counted(number, one, many)


def table(summary: Facts) -> list[dict[str, str]]:
    """Rows of the table of what was set aside, lights first."""
    order = list(ROLES)
    items = sorted(summary.get("set_aside") or (), key=lambda item: order.index(_known(kind(item))))
    return [
        {
            "file": str(item.get("file") or ""),
            "kind": ROLES[_known(kind(item))][0] if kind(item) else "not known",
            "stage": str(item.get("stage") or ""),
            "reason": str(item.get("reason") or ""),
        }
        for item in items
    ]


def _known(role: str) -> str:
    return role if role in ROLES else ""
