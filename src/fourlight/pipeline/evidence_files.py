"""Whether what earlier calls measured can still be told of, before work is done for a report that holds it."""

from __future__ import annotations

from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any

from fourlight.io.unreadable import unreadable
from fourlight.json_text import json_of
from fourlight.report.claims import claims_table
from fourlight.report.contributions import contributions

__all__ = ["CHANNELS", "CLAIMS", "check_evidence"]

CHANNELS, CLAIMS = "channels.json", "claims.json"

OF_CHANNELS = frozenset(
    {
        "lights", "nights", "scope", "regions", "balance", "shares", "light", "common", "measured", "width",
        "ratios", "cause", "resolution", "notes",
    }
)  # fmt: skip
OF_CLAIM = frozenset(
    {"claim", "name", "part", "question", "effect", "low", "high", "verdict", "scope", "sentence"}
)
"""Keys that every such file has, whatever could be told."""


def check_evidence(out: Path, made_anew: Collection[str] = ()) -> None:
    """Make sure that what was measured by earlier calls is whole, where it is there at all.

    Parameters
    ----------
    out : Path
        Folder of the results.
    made_anew : collection of str
        Names of files that are about to be replaced.

    Raises
    ------
    InputError
    """
    faults = {name: error for name in SHOWN if (error := _fault(out / name))}
    for name, error in faults.items():
        if name not in made_anew:
            # Each of the commands would wait for the other.
            first = "delete it, then " if len(faults) == len(SHOWN) else ""
            command = f"fourlight {name.removesuffix('.json')} {out}"
            raise unreadable(out / name, error, f"{first}{command} makes it anew")


def _fault(path: Path) -> Exception | None:
    """What is wrong with a file; None where nothing is, or where there is none."""
    try:
        if path.exists():
            SHOWN[path.name](json_of(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
        return error
    return None


def _channels(found: Any) -> None:
    if not set(found) >= OF_CHANNELS:
        raise ValueError
    contributions(found)


def _claims(found: Any) -> None:
    if not isinstance(found, list) or not all(set(finding) >= OF_CLAIM for finding in found):
        raise ValueError
    claims_table(found)


SHOWN: dict[str, Callable[[Any], None]] = {CHANNELS: _channels, CLAIMS: _claims}
"""What the page does with each file, which fails where it is not one."""
