"""What is told when a job has ended: what was decided, what was missing, what was set aside, in plain lines.

Every line has a heading and a text.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from fourlight.pipeline.names import NAMED, briefly, by_reason
from fourlight.report.calibration import darkened, lacking
from fourlight.report.claims import claims_table
from fourlight.report.mosaic import hint

__all__ = ["claims_lines", "closing_lines", "picture_lines"]

ASKED_BY = {
    "picture.fits": "finish.files.linear=true",
    "picture-wide.tif": "finish.files.wide=true",
    "picture-web.jpg": "a smaller finish.files.web_px",
}
"""What asks for files that not every picture has."""


def closing_lines(summary: Mapping[str, Any], out: Path) -> Iterator[tuple[str, str]]:
    """After a run.

    Parameters
    ----------
    summary : mapping
        Content of ``summary.json``.
    out : Path
        Where the results are, as the user named it.
    """
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


def picture_lines(picture: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """After a picture was made anew; ``picture`` is what that returns."""
    for step in picture["steps"]:
        for note in step["notes"]:
            yield step["name"], note
    for name in picture["gone"]:
        yield "to know", f"{name} of the picture before is gone: {ASKED_BY[name]} asks for it"


def claims_lines(findings: Sequence[Mapping[str, Any]]) -> Iterator[tuple[str, str]]:
    """After claims were tested: each with its verdict."""
    for row in claims_table(findings)["claims"]:
        yield row["verdict"], f"{row['claim']}: {row['sentence']}"


def _missing(calibration: Mapping[str, Any]) -> list[str]:
    """Calibration that some or all lights did without."""
    how = calibration["offset_taken_off"]
    return lacking(darkened(how), calibration["lights_with_flat"], sum(how.values()))
