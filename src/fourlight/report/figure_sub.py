"""Chart of what read noise costs by length of subs, under each sky."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fourlight.report.figure_style import (
    LIGHT,
    NARROW,
    WIDE,
    Drawn,
    Look,
    blank,
    files,
    footed,
    line_of,
    plain_axes,
    points,
    titled,
    wrapped,
)
from fourlight.report.sub_words import CALLED, rig_words, seconds, under_words
from fourlight.stages.plan_skies import SubPlan, Under
from fourlight.stages.plan_sub import LENGTHS_S

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["sub_figure"]

DASHES: tuple[Any, ...] = ("-", (0, (6, 2)), (0, (2, 1.6)), (0, (7, 2, 1.5, 2)))
MARKS = ("o", "s", "D", "^")
LEAST, MOST = 0.2, 150.0
"""Per cent of the axis."""
TICKS = (0.2, 0.5, 1, 2, 5, 10, 20, 50, 100)
TIMES = ((1, "1 s"), (10, "10 s"), (60, "1 min"), (300, "5 min"), (1200, "20 min"), (3600, "1 h"))


def sub_figure(plan: SubPlan, *, width: int = WIDE, look: Look = LIGHT) -> Drawn:
    """Noise over that without read noise against the length of a sub: what counts under each sky, single colours thin.

    Parameters
    ----------
    plan : SubPlan
    width : int
        `WIDE` or `NARROW`.
    look : Look
    """
    narrow = width <= NARROW
    left, right = (74, 20) if narrow else (72, 26)
    rows = -(-(len(plan.skies) + 3) // (1 if narrow else 2))
    top, high = 58 + 21 * rows, (250 if narrow else 340)
    foot = wrapped(_foot(plan), width - left - right, 13)
    figure = blank(width, top + high + 56 + 18 * (foot.count("\n") + 1), look)
    axes = plain_axes(figure, (left, top, width - left - right, high), look)
    axes.set_xscale("log")
    axes.set_yscale("log")
    _curves(axes, plan, look, narrow=narrow)
    _limits(axes, plan, look)
    _frame(axes, look)
    axes.legend(
        loc="lower left", bbox_to_anchor=(0.0, 1.02), ncols=1 if narrow else 2, frameon=False, fontsize=points(13),
        labelcolor=look.ink, handlelength=2.6, borderaxespad=0.0, columnspacing=1.6,
    )  # fmt: skip
    titled(figure, "What read noise costs by length of subs", look, narrow)
    footed(figure, foot, left, look)
    return files(figure, f"What read noise costs by length of subs, {rig_words(plan.rig)}. {_foot(plan)}")


def _curves(axes: Axes, plan: SubPlan, look: Look, *, narrow: bool) -> None:
    dark = plan.skies[0].sub
    for name, curve in zip(("R", "G", "B"), dark.curve[:3], strict=True):
        style = line_of(name, look)
        style.pop("marker")
        called = {"R": "red", "G": "green", "B": "blue"}[name]
        axes.plot(LENGTHS_S, 100 * curve, linewidth=1.1, label=f"{called} alone, no Moon", **style)
    for k, under in enumerate(plan.skies):
        colour = look.ink if k == 0 else look.soft
        axes.plot(
            LENGTHS_S, 100 * under.sub.curve[-1], color=colour, linewidth=2.6, linestyle=DASHES[k % 4],
            label=_label(under, narrow=narrow), zorder=3,
        )  # fmt: skip
        axes.plot(
            [under.sub.advised_s], [100 * under.sub.loss], color=colour, marker=MARKS[k % 4], markersize=9,
            markeredgecolor=look.paper, linestyle="none", zorder=5,
        )  # fmt: skip


def _label(under: Under, *, narrow: bool) -> str:
    """What counts, and under which sky."""
    if not narrow:
        return f"{CALLED[under.sub.about]}, {under_words(under)}"
    moon = under.moon
    return f"{under.sub.about}, " + (
        "no Moon" if moon is None else f"Moon {100 * moon.lit:.0f} %, {moon.apart_deg:g}°"
    )


def _limits(axes: Axes, plan: SubPlan, look: Look) -> None:
    axes.axhline(100 * plan.wish.loss, color=look.soft, linewidth=1.0, linestyle=(0, (1, 2)), zorder=1)
    for at, words in ((plan.skies[0].sub.star_s, "star full"), (plan.wish.longest_s, "mount")):
        if at is not None and LENGTHS_S[0] < at < LENGTHS_S[-1]:
            axes.axvline(at, color=look.soft, linewidth=1.0, linestyle=(0, (4, 3)), zorder=1)
            axes.annotate(
                words, (at, 0.02 if words == "mount" else 0.1), xycoords=("data", "axes fraction"), xytext=(4, 0),
                textcoords="offset points", va="bottom", fontsize=points(13), color=look.soft, zorder=4,
                bbox={"facecolor": look.paper, "edgecolor": "none", "pad": 1.0},
            )  # fmt: skip


def _frame(axes: Axes, look: Look) -> None:
    from matplotlib.ticker import NullFormatter, NullLocator

    axes.set_xlim(LENGTHS_S[0], LENGTHS_S[-1])
    axes.set_ylim(LEAST, MOST)
    axes.set_xticks([at for at, _ in TIMES], [name for _, name in TIMES])
    axes.set_yticks(TICKS, [f"{tick:g} %" for tick in TICKS])
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_minor_locator(NullLocator())
        axis.set_minor_formatter(NullFormatter())
    axes.grid(color=look.rule, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_xlabel("Length of a sub", fontsize=points(13), color=look.soft)
    axes.set_ylabel("Noise added by reading", fontsize=points(13), color=look.soft)


def _foot(plan: SubPlan) -> str:
    advised = "; ".join(
        f"{under_words(under).partition(', sky')[0]}: {seconds(under.sub.advised_s)}" for under in plan.skies
    )
    dots = f"{100 * plan.wish.loss:g} %, at the same time in all"
    return f"{rig_words(plan.rig)}. Marks: advised subs ({advised}). Dots: {dots}."
