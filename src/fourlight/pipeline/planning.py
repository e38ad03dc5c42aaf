"""Files of a plan: a chart, or everything on one page."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from fourlight.io.room import whole
from fourlight.report.clock import Clock
from fourlight.report.figure_night import night_figure
from fourlight.report.figure_style import Drawn
from fourlight.stages.plan_whole import Planned

__all__ = ["draw_plan"]


def draw_plan(out: Path, planned: Planned, clock: Clock, assumed: Sequence[str]) -> list[Path]:
    """Write the chart of a night, with one of the nights ahead beside it, or one page with both and all numbers.

    Parameters
    ----------
    out : Path
        Its ending says which: ``.png`` or ``.svg``, or ``.html``. The chart of the nights ahead is named like it, with
        ``-ahead``.
    planned : Planned
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
    if out.suffix.lower() == ".html":
        from fourlight.report.planning_page import plan_page

        with whole(out) as part:
            part.write_text(plan_page(planned, clock, assumed), encoding="utf-8")
        return [out]
    charts = [(out, night_figure(planned, clock))]
    if planned.ahead is not None:
        from fourlight.report.figure_ahead import ahead_figure

        charts.append((out.with_name(f"{out.stem}-ahead{out.suffix}"), ahead_figure(planned)))
    for path, drawn in charts:
        with whole(path) as part:
            part.write_bytes(_bytes(drawn, out))
    return [path for path, _ in charts]


def _bytes(drawn: Drawn, out: Path) -> bytes:
    return drawn.png if out.suffix.lower() == ".png" else drawn.svg
