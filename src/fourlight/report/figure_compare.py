"""Chart of two setups: where their hours go, what is there if the night ends early, and how sure the difference is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from fourlight.report.charts import ticks
from fourlight.report.clock import Clock, span_words
from fourlight.report.comparing_words import CALLED, LETTERS, SURE, times, verdict, weakest_words
from fourlight.report.figure_style import (
    LIGHT,
    NARROW,
    WIDE,
    Drawn,
    Look,
    blank,
    files,
    footed,
    plain_axes,
    points,
    titled,
    wrapped,
)
from fourlight.stages.compare_setup import Spent
from fourlight.stages.compare_whole import Compared

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["compare_figure"]

SIDES: tuple[dict[str, Any], ...] = ({"linestyle": "-"}, {"linestyle": (0, (6, 2))})
INSIDE = 1.03
"""Of the ends of the axis of ratios, where those stand that only one of both tells."""
CLOCK_TICKS = (0.25, 0.5, 1.0, 2.0)
"""Hours between marks of the clock."""


def colours(look: Look) -> tuple[str, str]:
    """Of A and B: blue and a red that differ in brightness too; lines differ by dashes, bars by letters."""
    return look.channel["B"], look.channel["R"]


def compare_figure(compared: Compared, clock: Clock, *, width: int = WIDE, look: Look = LIGHT) -> Drawn:
    """Bars of where the hours go, the weakest needed light against the clock, and B over A with intervals.

    Parameters
    ----------
    compared : Compared
    clock : Clock
        Of the time at which the hours begin.
    width : int
        `WIDE` or `NARROW`.
    look : Look
    """
    narrow = width <= NARROW
    left, right = (74, 18) if narrow else (172, 30)
    names = [f"{letter}: {side.setup.name}" for letter, side in zip("AB", compared.sides, strict=True)]
    top, bars, high = 44 + 20 * 2, 96, 230 if narrow else 280
    rows = 34 * len(compared.quantities) + 12
    foot = wrapped(_foot(compared, clock), width - 44, 13)
    under = 70 if narrow else 46  # the legend of the bars
    places = [top, top + bars + under, top + bars + under + high + 82]
    figure = blank(width, places[2] + rows + 62 + 18 * (foot.count("\n") + 1), look)
    across = width - left - right
    _budget(plain_axes(figure, (left, places[0], across, bars), look), compared, look, narrow=narrow)
    _course(plain_axes(figure, (left, places[1], across, high), look), compared, look, narrow=narrow)
    wide_left = 150 if narrow else left
    _ratios(plain_axes(figure, (wide_left, places[2], width - wide_left - right, rows), look), compared, look)
    titled(figure, f"{span_words(compared.asked.hours)} by the clock", look, narrow)
    for k, name in enumerate(names):
        shade = colours(look)[k]
        figure.text((12 if narrow else 24) / width, 1 - (42 + 20 * k) / (figure.get_size_inches()[1] * 100), name,
                    fontsize=points(13), color=shade, va="top")  # fmt: skip
    footed(figure, foot, 22, look)
    return files(
        figure,
        f"{names[0]} and {names[1]}: {weakest_words(compared)} against the clock. {_foot(compared, clock)}",
    )


def _pieces(spent: Spent) -> list[tuple[str, float, bool]]:
    """Name, seconds, whether it is light."""
    light = [(name, seconds, True) for name, seconds in spent.light]
    other = [("between subs", spent.between), ("changes", spent.changes), ("refocus", spent.refocus),
             ("flats", spent.flats), ("left over", spent.rest)]  # fmt: skip
    return light + [(name, seconds, False) for name, seconds in other]


def _budget(axes: Axes, compared: Compared, look: Look, *, narrow: bool) -> None:
    """One bar for each setup; light in its colour, all else grey with a kind of hatching for each."""
    hatches = {"between subs": "", "changes": "xxx", "refocus": "///", "flats": "...", "left over": ""}
    greys = {"between subs": look.soft, "left over": look.panel}
    used: dict[str, Any] = {}
    for k, side in enumerate(compared.sides):
        start = 0.0
        for name, seconds, light in _pieces(side.course.taken.spent):
            hours = seconds / 3600
            face = colours(look)[k] if light else greys.get(name, look.rule)
            drawn = axes.barh(
                1 - k, hours, left=start, height=0.56, color=face,
                edgecolor=look.paper if light or name == "between subs" else look.soft, linewidth=1.2,
                hatch="" if light else hatches[name],
            )  # fmt: skip
            room = hours / compared.asked.hours * (280 if narrow else 740)
            if light and room > 8.5 * len(name):
                axes.annotate(name, (start + hours / 2, 1 - k), ha="center", va="center", fontsize=points(13),
                              color=look.paper)  # fmt: skip
            if not light and seconds > 0:
                used.setdefault(name, drawn)
            start += hours
    axes.set_xlim(0, compared.asked.hours)
    axes.set_ylim(-0.45, 1.45)
    axes.set_yticks([1, 0], ["A", "B"])
    axes.set_xticks([])
    axes.legend(
        used.values(), used.keys(), loc="upper left", bbox_to_anchor=(0.0, 0.02), ncols=3 if narrow else 5,
        frameon=False, fontsize=points(12 if narrow else 13), labelcolor=look.ink, handlelength=1.3,
        columnspacing=1.0 if narrow else 1.5, borderaxespad=0.0, handletextpad=0.5,
    )  # fmt: skip


def _course(axes: Axes, compared: Compared, look: Look, *, narrow: bool) -> None:
    """The weakest needed light of both against the clock, with the interval over all assumptions."""
    hours = compared.sides[0].course.times_s / 3600
    top = max(float(side.worst_high.max()) for side in compared.sides) or 1.0
    for k, side in enumerate(compared.sides):
        shade = colours(look)[k]
        axes.fill_between(
            hours, side.worst_low, side.worst_high, step="post", color=shade, alpha=0.16, linewidth=0
        )
        axes.plot(hours, side.worst, color=shade, linewidth=2.4, drawstyle="steps-post", **SIDES[k],
                  label=f"{'AB'[k]}")  # fmt: skip
    axes.set_xlim(0, compared.asked.hours)
    axes.set_ylim(0, top * 1.08)
    axes.set_yticks([mark for mark in ticks(0, top, 7) if mark <= top * 1.08])
    step = next((s for s in CLOCK_TICKS if compared.asked.hours / s <= (5 if narrow else 12)), 4.0)
    marks = np.arange(0, compared.asked.hours + 1e-9, step)
    axes.set_xticks(marks, [f"{mark:g}" for mark in marks])
    axes.set_xlabel("Hours of the clock until the night ends", fontsize=points(13), color=look.soft)
    axes.set_ylabel("Weakest needed,\nsignal over noise" if len(compared.needed) > 1 else "Signal over noise",
                    fontsize=points(13), color=look.soft)  # fmt: skip
    axes.grid(color=look.rule, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.legend(
        loc="upper left", ncols=2, frameon=False, fontsize=points(13), labelcolor=look.ink, handlelength=2.8
    )


def _ratios(axes: Axes, compared: Compared, look: Look) -> None:
    """B over A at the end, each with its interval; those that only one of them tells at the edge."""
    low, high = _reach(compared)
    axes.set_xscale("log")
    axes.axvline(1.0, color=look.soft, linewidth=1.2)
    count = len(compared.quantities)
    for k, one in enumerate(compared.quantities):
        place = count - 1 - k
        better = verdict(one)
        sure = better in LETTERS
        shade = colours(look)[LETTERS.index(better)] if sure else look.soft
        if np.isnan(one.ratio):
            _said(axes, 1.0, place, "neither tells it", look, high)
            continue
        if np.isfinite(one.low):
            axes.plot(np.clip([one.low, one.high], low, high), [place, place], color=shade, linewidth=3.4,
                      solid_capstyle="butt")  # fmt: skip
        at = float(np.clip(one.ratio, low * INSIDE, high / INSIDE))
        axes.plot(
            [at], [place], marker="o" if sure else "D", markersize=9, color=shade, markeredgecolor=look.paper
        )
        _said(
            axes,
            min(max(at, one.high if np.isfinite(one.high) else at), high),
            place,
            times(one.ratio),
            look,
            high,
        )
    axes.set_xlim(low, high)
    axes.set_ylim(-0.6, count - 0.4)
    axes.set_yticks(
        range(count), [CALLED[one.name].replace(" together", "") for one in reversed(compared.quantities)]
    )
    _ratio_ticks(axes, low, high)
    axes.set_xlabel("B over A", fontsize=points(13), color=look.soft)
    for words, at, side in (("A is better", 0.0, "left"), ("B is better", 1.0, "right")):
        axes.annotate(words, (at, 1.0), xycoords="axes fraction", xytext=(0, 3), textcoords="offset points", ha=side,
                      va="bottom", fontsize=points(13), color=look.soft)  # fmt: skip
    axes.grid(axis="x", color=look.rule, linewidth=0.8)
    axes.set_axisbelow(True)


def _said(axes: Axes, at: float, place: float, words: str, look: Look, high: float) -> None:
    near = at > high**0.8
    axes.annotate(
        words, (at, place), xytext=(-12 if near else 10, 11 if near else 0), textcoords="offset points",
        ha="right" if near else "left", va="center", fontsize=points(13), color=look.ink,
        bbox={"facecolor": look.paper, "edgecolor": "none", "pad": 1.0},
    )  # fmt: skip


def _reach(compared: Compared) -> tuple[float, float]:
    """Ends of the axis of ratios, as far to both sides of 1."""
    known = [value for one in compared.quantities for value in (one.low, one.high, one.ratio)
             if np.isfinite(value) and value > 0]  # fmt: skip
    reach = max([abs(np.log(value)) for value in known] or [0.0])
    reach = float(np.exp(min(max(reach * 1.35, np.log(1.6)), np.log(20.0))))
    return 1 / reach, reach


def _ratio_ticks(axes: Axes, low: float, high: float) -> None:
    from matplotlib.ticker import NullFormatter, NullLocator

    sets: Sequence[Sequence[float]] = ((0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.25, 1.4, 1.6),
                                       (0.4, 0.5, 0.7, 1.0, 1.4, 2.0, 2.5),
                                       (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0))  # fmt: skip
    marks = sets[0] if high < 1.9 else sets[1] if high < 3.5 else sets[2]
    shown = [mark for mark in marks if low <= mark <= high]
    axes.set_xticks(shown, [f"{mark:g}" for mark in shown])
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_minor_formatter(NullFormatter())


def _foot(compared: Compared, clock: Clock) -> str:
    asked, names = compared.asked, ", ".join(CALLED[name] for name in compared.needed)
    return (
        f"From {clock.hm(compared.start_s)} {clock.name} at {asked.site.name}, night of {asked.evening}; "
        f"{asked.target.name}; needed: {names}. Shades and bars: {SURE} % of {asked.draws} draws over all "
        "assumptions; grey diamonds hold 1, nothing can be told there."
    )
