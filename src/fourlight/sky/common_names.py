"""What objects of the list are called commonly: its own names, some set right and some added."""

from __future__ import annotations

import re
from typing import Any

__all__ = ["common_names", "named", "plain"]

WRONG = {("IC0434", "Flame Nebula")}
"""The list gives it to the field of light behind the Horsehead; the nebula of that name is NGC 2024."""
ADDED = {
    "NGC2024": ("Flame Nebula",), "IC1805": ("Heart Nebula",), "IC1848": ("Soul Nebula",),
}  # fmt: skip
"""Common practice, no source."""


def common_names(entry: Any) -> tuple[str, ...]:
    """Common names of an entry of the list."""
    own = entry.identifiers[3] or ()
    return (*(name for name in own if (entry.name, name) not in WRONG), *ADDED.get(entry.name, ()))


def named() -> dict[str, Any]:
    """Entries by their common names, as `plain` writes them."""
    from pyongc import ongc

    entries = [*ongc.listObjects(withname=True), *(ongc.get(number) for number in ADDED)]
    return {plain(name): entry for entry in entries for name in common_names(entry)}


def plain(name: str) -> str:
    """Letters and digits alone.

    >>> plain("Cat's Eye Nebula")
    'catseyenebula'
    """
    return re.sub(r"[^a-z0-9]", "", name.lower())
