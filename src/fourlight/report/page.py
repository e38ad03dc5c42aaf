"""Puts the page together from a run's summary; numbers that are missing are shown as not known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from fourlight import __version__
from fourlight.io.room import whole
from fourlight.report import aside, charts, words
from fourlight.report.again import origin
from fourlight.report.calibration import calibration_rows, dropped_later
from fourlight.report.claims import claims_table
from fourlight.report.colourwords import colour_words
from fourlight.report.contributions import contributions
from fourlight.report.figure_list import SKY, STAR_COLOURS
from fourlight.report.fringes import fringe_words
from fourlight.report.grounds import given_names, grounds, sentences
from fourlight.report.kinds import kinds_table
from fourlight.report.lines import lines_section
from fourlight.report.moments import green, mean_known, moments
from fourlight.report.mosaic import mosaic
from fourlight.report.opening import heading
from fourlight.report.pictures import Pixels, address, embedded_picture, plane_views, rejected_view
from fourlight.report.planes import plane_table, unit
from fourlight.report.remarks import meanings
from fourlight.report.skyplace import sky_words
from fourlight.report.step_views import STEPS_FOLDER, honesty_view, steps_table
from fourlight.report.templates import filled
from fourlight.report.timeaxis import SLIM, WIDTH
from fourlight.report.words import digits, reached

__all__ = ["page", "write_report"]

Float32 = npt.NDArray[np.float32]
Facts = Mapping[str, Any]

LEGEND = (
    ('class="aside"', "×", "set aside"),
    ('class="aside off"', "⌃", "set aside, off the axis"),
    ('class="aside under"', "×", "below the axis: set aside, and this number not measured"),
)
FIGURE_PX = 1600
"""Of figures within the page, along their longer side."""
CHARTED = (
    ("fwhm_px", "Star width in each sub (FWHM, pixel included), px", True, False, 1.0),
    ("sky", "Sky level in each sub, {unit} per pixel", True, False, 1.0),
    ("transparency", "Transparency, % of the reference frame", True, True, 100.0),
    ("stars", "Stars found, count", False, True, 1.0),
)


def write_report(
    out: Path, summary: Facts, picture: Pixels, planes: Mapping[str, Float32], provenance: Facts,
    place: Path | None = None, rejected: Float32 | None = None, channels: Facts | None = None,
    claims: Sequence[Facts] | None = None, lines: tuple[Facts, Path] | None = None,
) -> None:  # fmt: skip
    """Write ``report.html`` into a folder.

    Parameters
    ----------
    out : Path
        Folder of the results.
    summary : mapping
        Content of ``summary.json``; missing parts are left out of the page.
    picture : (ny, nx, 3) float32 or uint16
        The finished picture, see `fourlight.report.pictures.reduced`.
    planes : mapping of R, G1, G2, B to (ny, nx) float32
        Planes of the stack, NaN where undefined.
    provenance : mapping
        Content of ``provenance.json``.
    place : Path or None
        Folder to write into, from which the page is moved to ``out`` later; None: ``out`` itself.
    rejected : (ny, nx) float32 or None
        Rejected samples on each pixel of the stack.
    channels : mapping or None
        Content of ``channels.json``.
    claims : sequence of mapping or None
        Content of ``claims.json``.
    lines : (mapping, Path) or None
        Content of ``lines.json``, and the folder of the pictures of lines.

    Raises
    ------
    OutputError
        The page cannot be written.
    """
    made = place if place is not None and (place / STEPS_FOLDER).is_dir() else out
    drawn = _drawn((place, out) if place is not None else (out,)) if summary.get("sky") else {}
    text = page(summary, picture, planes, provenance, out, rejected, channels, claims, lines, made, drawn)
    with whole((place or out) / "report.html") as part:
        part.write_text(text, encoding="utf-8", errors="backslashreplace")


def _drawn(folders: Sequence[Path]) -> dict[str, str]:
    """Figures of the sky as data addresses, from the first folder that has them."""
    found: dict[str, str] = {}
    for name in ("sky", "star-colours"):
        paths = [folder / "figures" / f"{name}.png" for folder in folders]
        if path := next((path for path in paths if path.exists()), None):
            found[name.replace("-", "_")] = address(path, FIGURE_PX)
    return found


def page(
    summary: Facts,
    picture: Pixels,
    planes: Mapping[str, Float32],
    provenance: Facts,
    out: Path | None = None,
    rejected: Float32 | None = None,
    channels: Facts | None = None,
    claims: Sequence[Facts] | None = None,
    lines: tuple[Facts, Path] | None = None,
    made: Path | None = None,
    drawn: Mapping[str, str] | None = None,
) -> str:
    """The page as text; it needs no other file and no network.

    ``made`` is the folder that holds pictures of steps, ``drawn`` are figures of the sky as data addresses.
    """
    shown = {
        **heading(summary),
        **mosaic(summary),
        "kinds": kinds_table(summary),
        **plane_table(summary),
        **contributions(channels),
        **claims_table(claims),
        **lines_section(*(lines or (None, None))),
        **sky_words(summary),
        **colour_words(summary),
        **_frames(summary),
        **origin(provenance, out),
        "picture": embedded_picture(picture),
        "picture_size": f"{picture.shape[1]} × {picture.shape[0]} px",
        "picture_steps": steps_table(summary, made),
        "honesty": honesty_view(made),
        "fringes": fringe_words(summary),
        "views": plane_views(planes),
        "drawn": drawn or {},
        "drawn_words": {"sky": SKY, "star_colours": STAR_COLOURS},
        "rejected": rejected_view(rejected) if rejected is not None else "",
        "grounds": grounds(summary),
        "assumptions": sentences(summary, given_names(summary, provenance)),
        "calibration": calibration_rows(summary, provenance.get("recipe") or {}),
        "dropped_later": dropped_later(summary),
        "version": summary.get("fourlight") or __version__,
    }
    return filled("template.html.j2", **shown)


def _frames(summary: Facts) -> dict[str, Any]:
    order = moments(summary)
    drawn = []
    for key, label, per_plane, from_zero, factor in CHARTED:
        label = label.format(unit=unit(summary))
        chart = "".join(
            charts.over_time(
                order, key, label, per_plane=per_plane, from_zero=from_zero, width=width, factor=factor
            )
            for width in (WIDTH, SLIM)
        )
        if chart:
            drawn.append((label, Markup(chart)))
    return {
        "charts": drawn,
        "nights": summary.get("nights") or [],
        "set_aside": aside.table(summary),
        "remarks": meanings(summary.get("frames") or ()),
        "legend": [entry for entry in LEGEND if any(entry[0] in str(chart) for _, chart in drawn)],
        "frames": [
            _row(moment.frame, reached(summary, "grid", "reference"))
            for moment in order
            if moment.reason is None
        ],
    }


def _row(frame: Facts, reference: Any) -> dict[str, Any]:
    time = str(frame.get("time") or "")
    weight = frame.get("weight")
    return {
        "file": frame.get("file") or "",
        "time": time[:19].replace("T", " ") or words.UNKNOWN,
        "exposure": frame.get("exposure_s"),
        "stars": words.UNKNOWN if frame.get("stars") is None else frame["stars"],
        "fwhm": green(frame, "fwhm_px"),
        "elongation": green(frame, "elongation"),
        "sky": green(frame, "sky"),
        "noise": green(frame, "noise"),
        "transparency": _transparency(green(frame, "transparency"), green(frame, "transparency_error")),
        "weight": mean_known(list(weight.values())) if isinstance(weight, Mapping) else weight,
        "rms": "reference" if frame.get("file") == reference else digits(frame.get("rms_px"), 2),
        "flags": ", ".join(str(flag) for flag in frame.get("flags") or ()),
    }


def _transparency(share: float | None, error: float | None) -> str:
    """In per cent, with its error."""
    if share is None:
        return words.UNKNOWN
    return words.with_error(100 * share, None if error is None else 100 * error) + " %"
