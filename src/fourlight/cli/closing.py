"""What the terminal says when a run has ended: what was missing, what was set aside, where to look."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

__all__ = ["closing_lines"]

LISTED = 8
"""Frames named in the terminal; all of them stand in frames.csv and in the report."""


def closing_lines(summary: Mapping[str, Any], out: Path) -> Iterator[tuple[str, str]]:
    """Heading and text of every line.

    Parameters
    ----------
    summary : mapping
        Content of ``summary.json``.
    out : Path
        Where the results are, as the user named it.
    """
    from fourlight.report.calibration import misfits
    from fourlight.report.mosaic import hint

    if overruling := hint(summary):
        yield "mosaic", overruling
    missing = ", ".join(_missing(summary["calibration"]))
    if missing:
        yield "calibration", missing
    for remark in misfits(summary):
        yield "", remark
    aside = summary["set_aside"]
    for item in aside[:LISTED]:
        yield "set aside", f"{item['file']}: {item['reason']}"
    if len(aside) > LISTED:
        yield "", f"and {len(aside) - LISTED} more: see {out / 'frames.csv'}"
    yield "look at", f"{out / 'report.html'} and {out / 'picture.jpg'}"


def _missing(calibration: Mapping[str, Any]) -> Iterator[str]:
    """Calibration that some or all lights did without."""
    from fourlight.report.calibration import darkened

    how = calibration["offset_taken_off"]
    lights = sum(how.values())
    got = {"dark": darkened(how), "flat": calibration["lights_with_flat"]}
    for kind, count in got.items():
        if count < lights:
            yield f"no {kind} applied" + (f" to {lights - count} of {lights} lights" if count else "")
