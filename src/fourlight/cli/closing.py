"""What the terminal says when a run has ended: what was missing, what was set aside, where to look."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

__all__ = ["closing_lines"]


def closing_lines(summary: Mapping[str, Any], out: Path) -> Iterator[tuple[str, str]]:
    """Heading and text of every line.

    Parameters
    ----------
    summary : mapping
        Content of ``summary.json``.
    out : Path
        Where the results are, as the user named it.
    """
    from fourlight.pipeline.names import NAMED, briefly, by_reason
    from fourlight.report.mosaic import hint

    if overruling := hint(summary):
        yield "mosaic", overruling
    missing = ", ".join(_missing(summary["calibration"]))
    if missing:
        yield "calibration", missing
    odd = [(item["file"], item["reason"]) for item in summary.get("odd") or ()]
    for remark in briefly(summary.get("to_know") or (), odd):
        yield "to know", remark
    aside = summary["set_aside"]
    lines = by_reason(((item["file"], item["reason"]) for item in aside), NAMED)
    for line in lines:
        yield "set aside", line
    if len(aside) > NAMED and len(lines) < len(aside):
        yield "", f"each with its reason: see {out / 'frames.csv'}"
    yield "look at", f"{out / 'report.html'} and {out / 'picture.jpg'}"


def _missing(calibration: Mapping[str, Any]) -> list[str]:
    """Calibration that some or all lights did without."""
    from fourlight.report.calibration import darkened, lacking

    how = calibration["offset_taken_off"]
    return lacking(darkened(how), calibration["lights_with_flat"], sum(how.values()))
