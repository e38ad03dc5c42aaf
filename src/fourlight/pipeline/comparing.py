"""Files of a comparison: a chart with simulated pictures beside it, or everything on one page."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from fourlight.io.room import whole
from fourlight.pipeline.compare_pictures import Pictures, simulated_pictures
from fourlight.report.clock import Clock
from fourlight.report.comparing_page import compare_page
from fourlight.report.figure_compare import compare_figure
from fourlight.report.figure_compare_pictures import compare_pictures_figure
from fourlight.stages.compare_whole import Compared

__all__ = ["draw_comparison"]


def draw_comparison(out: Path, compared: Compared, clock: Clock, assumed: Sequence[str]) -> list[Path]:
    """Write the chart and the pictures, or one page with both and all numbers.

    Parameters
    ----------
    out : Path
        Its ending says which: ``.png`` or ``.svg``, or ``.html``. The pictures beside a chart are named like it, with
        ``-pictures``.
    compared : Compared
    clock : Clock
    assumed : sequence of str
        For the page.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    made: Pictures = simulated_pictures(compared)
    kind = out.suffix.lower()
    if kind == ".html":
        with whole(out) as part:
            part.write_text(compare_page(compared, made.views, made.shown, clock, assumed), encoding="utf-8")
        return [out]
    charts = [
        (out, compare_figure(compared, clock)),
        (
            out.with_name(f"{out.stem}-pictures{out.suffix}"),
            compare_pictures_figure(compared, made.views, made.shown),
        ),
    ]
    for path, drawn in charts:
        with whole(path) as part:
            part.write_bytes(drawn.png if kind == ".png" else drawn.svg)
    return [path for path, _ in charts]
