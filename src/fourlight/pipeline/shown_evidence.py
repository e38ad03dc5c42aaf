"""What the lights say of channels and of claims, to look at, with its figures and files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from fourlight.errors import InputError
from fourlight.pipeline.evidence_files import CHANNELS, CLAIMS
from fourlight.pipeline.finished import check_there
from fourlight.pipeline.outputs import plain_data
from fourlight.pipeline.products import FIGURES, read_json
from fourlight.report.claims import claims_table
from fourlight.report.contributions import CHANNEL_NAMES, contributions
from fourlight.report.figure_list import FILES, MOVING, figure_list

__all__ = ["evidence_facts", "evidence_file"]

NUMBERS = {
    CHANNELS: "Every number of the channels, with intervals, for programs.",
    CLAIMS: "Every claim with its effect, interval and verdict, for programs.",
    "frames.csv": "Every number of every light, for a spreadsheet.",
}
"""Files beside the figures."""


def evidence_facts(folder: Path) -> dict[str, Any]:
    """What was measured, in the words of the report, with the numbers behind them; parts that are missing are empty.

    Parameters
    ----------
    folder : Path
        Of the results of a run.

    Raises
    ------
    InputError
        The results are gone.
    """
    check_there(folder)
    channels, claims = read_json(folder / CHANNELS), read_json(folder / CLAIMS)
    found = contributions(channels)
    facts = {
        "meaning": found["contributed_meaning"],
        "regions": [
            {"name": region["name"], "kinds": [_kind(row) for row in region["rows"]]}
            for region in found["contributed"]
        ],
        "notes": [found["contributed_object"], found["contributed_scope"], *found["contributed_notes"]],
        "sharp": {"heads": found["sharp_heads"], "rows": found["sharp"], "meaning": found["sharp_meaning"]},
        "cause": found["cause"],
        "in_common": found["in_common"],
        **claims_table(claims),
        "figures": _figures(folder / FIGURES, channels),
        "numbers": [
            {"file": name, "meaning": said} for name, said in NUMBERS.items() if (folder / name).is_file()
        ],
    }
    return dict(plain_data(facts))


def _kind(row: dict[str, Any]) -> dict[str, Any]:
    """Shares of one kind: each channel's in words, and as numbers."""
    each = zip(CHANNEL_NAMES.values(), row["shares"], row["intervals"], strict=True)
    return {
        "label": row["label"],
        "meaning": row["meaning"],
        "channels": [{"name": name, "said": said, **interval} for name, said, interval in each],
    }


def _figures(folder: Path, channels: dict[str, Any] | None) -> list[dict[str, Any]]:
    """Figures that are there, each with its files."""
    there = {name for name in FILES if (folder / name).is_file()}
    return [
        {
            "title": listed.title,
            "meaning": listed.meaning,
            "drawn": listed.drawn,
            "files": [name for name in listed.files if name in there],
            "moving": MOVING if MOVING in there and MOVING.startswith(f"{listed.name}.") else None,
        }
        for listed in figure_list(channels)
        if listed.files[0] in there
    ]


def evidence_file(folder: Path, name: str) -> Path:
    """Where a figure or a file of numbers lies; no other file is given out.

    Raises
    ------
    InputError
        It is none of these, or is not there.
    """
    path = folder / FIGURES / name if name in FILES else folder / name
    if name not in FILES and name not in NUMBERS:
        raise InputError(f"no figure is called {name!r}")
    if not path.is_file() or not path.resolve().is_relative_to(folder.resolve()):
        check_there(folder)
        raise InputError(f"{path}: is not there; fourlight channels {folder} draws all figures")
    return path
