"""Figure of the resolution of each channel: the curves of the halves, the thresholds, and where they cross."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from fourlight.report.figure_style import (
    LIGHT,
    NAMES,
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
from fourlight.report.words import digits

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["TERMS", "TITLE", "resolution_figure"]

Facts = Mapping[str, Any]
Float64 = npt.NDArray[np.float64]

TITLE = "How fine the detail is that both half stacks show"
ORDER = ("R", "G", "G1", "G2", "B")
STEADY = 0.03
"""Points of a curve are put together until their scatter is no more than this."""
ROW_PX = 27
TERMS = (
    "Cycle: a bright stripe and a dark one; the shorter, the finer the detail.",
    "1/7: there the stack of all lights agrees by one half (correlation) with a picture without noise.",
    "Half-bit: a stricter line, where noise leaves half a bit to each detail of that size.",
    "Ranges (95 %) say how well these half stacks fix it, not what other nights would give.",
)
"""What words and lines of the figure mean, for those who have not met them."""
PERIODS = (100, 50, 30, 20, 15, 10, 8, 6, 5, 4, 3, 2.5, 2, 1.5, 1)


def resolution_figure(
    resolution: Mapping[str, Facts],
    scale_arcsec: float | None = None,
    *,
    width: int = WIDE,
    look: Look = LIGHT,
) -> Drawn:
    """Curves above, and below them each channel's resolution with its range.

    Parameters
    ----------
    resolution : mapping of channel to facts
        As from `fourlight.stages.fineness_facts.resolution_facts`.
    scale_arcsec : float or None
        Of a pixel of the stack.
    width : int
        `WIDE` or `NARROW`.
    look : Look

    Raises
    ------
    ValueError
        There is no channel.
    """
    names = [name for name in ORDER if name in resolution] + [
        name for name in resolution if name not in ORDER
    ]
    if not names:
        raise ValueError("no channel to draw; needed at least one")
    narrow = width <= NARROW
    side = 12 if narrow else 24
    note = _note(resolution, names, width - 2 * side)
    left, right = (42, 14) if narrow else (66, 26)
    top, high = 70 if narrow else 76, 250 if narrow else 330
    under = top + high + 62
    rows = ROW_PX * len(names)
    numbered = any(resolution[name]["value"] is not None for name in names)
    height = under + rows + (52 if numbered else 20) + 18 * (note.count("\n") + bool(note))
    figure = blank(width, height, look)
    upper = plain_axes(figure, (left, top, width - left - right, high), look)
    named, said = (92, 112) if narrow else (130, 330)
    lower = plain_axes(figure, (named, under, width - named - said, rows), look)
    end = _end(resolution, names)
    _curves(upper, resolution, names, end, look, narrow)
    _periods(upper, end, scale_arcsec, look)
    _rows(lower, resolution, names, look, narrow)
    title = "Detail that both half stacks show" if narrow else TITLE
    titled(figure, title, look, narrow)
    footed(figure, note, side, look)
    return files(figure, _words(resolution, names))


def _end(resolution: Mapping[str, Facts], names: list[str]) -> float:
    """Frequency at which the axis ends."""
    known = [resolution[name]["cycles_per_px"]["high"] for name in names]
    limits = [1 / resolution[name]["finest_px"] for name in names if resolution[name]["finest_px"]]
    found = [value for value in known if value is not None]
    return float(min(0.5, max(1.12 * max(limits, default=0.3), 1.25 * max(found, default=0.0))))


def _curves(
    axes: Axes, resolution: Mapping[str, Facts], names: list[str], end: float, look: Look, narrow: bool
) -> None:
    axes.set_xlim(0, end)
    axes.set_ylim(-0.12, 1.03)
    axes.set_yticks([0, 0.25, 0.5, 0.75, 1.0], ["0", "¼", "½", "¾", "1"] if narrow else None)
    axes.hlines([0, 0.25, 0.5, 0.75, 1.0], 0, end, color=look.rule, linewidth=0.9, zorder=0)
    axes.set_ylabel("Correlation of the halves", fontsize=points(13), color=look.soft, labelpad=2)
    limit = max((1 / resolution[n]["finest_px"] for n in names if resolution[n]["finest_px"]), default=end)
    if limit < end:
        axes.axvspan(limit, end, color=look.panel, zorder=-1)
        axes.text(
            0.5 * (limit + end), 0.97, "not claimed" if narrow else "finer than\nis claimed", ha="center", va="top",
            fontsize=points(12), color=look.soft, linespacing=1.2, rotation=90 if narrow else 0,
        )  # fmt: skip
    axes.hlines(1 / 7, 0, end, color=look.ink, linewidth=1.2)
    _half_bit(axes, resolution[names[-1]], end, look)
    for name in names:
        fact, line = resolution[name], line_of(name, look)
        mark = line.pop("marker")
        frequency, value = _steady(fact["curve"])
        faint = 0.45 if fact["value"] is None else 1.0
        axes.plot(
            frequency, value, marker=mark, markevery=0.12, markersize=5, linewidth=1.9, alpha=faint, clip_on=True,
            **line,
        )  # fmt: skip
        place = fact["cycles_per_px"]["value"]
        if place is not None:
            axes.plot(
                [place], [1 / 7], marker=mark, markersize=10, color=line["color"], markeredgecolor=look.paper,
                markeredgewidth=1.5, zorder=5,
            )  # fmt: skip


def _half_bit(axes: Axes, fact: Facts, end: float, look: Look) -> None:
    """The half-bit curve, and the names of both thresholds."""
    curve = fact["curve"]
    frequency, level = (_numbers(curve[key]) for key in ("cycles_per_px", "half_bit"))
    good = np.isfinite(level) & (level < 1) & (frequency <= end)
    axes.plot(frequency[good], level[good], color=look.soft, linewidth=1.3, linestyle=(0, (1, 1.5)))
    place = 0.012 * end
    axes.text(place, 1 / 7 - 0.02, "1/7", fontsize=points(13), color=look.ink, va="top", ha="left")
    if good.any():
        axes.text(
            end,
            float(level[good][-1]) + 0.015,
            "half-bit ",
            fontsize=points(13),
            color=look.soft,
            va="bottom",
            ha="right",
        )


def _steady(curve: Facts) -> tuple[Float64, Float64]:
    """Frequency and correlation, with so many points put together that they scatter little."""
    frequency, value, scatter = (_numbers(curve[key]) for key in ("cycles_per_px", "correlation", "scatter"))
    good = np.isfinite(value) & (np.nan_to_num(scatter) > 0)
    weight = np.where(good, 1 / np.where(good, scatter, 1.0) ** 2, 0.0)
    out: list[tuple[float, float]] = []
    start = 0
    for stop in range(1, len(value) + 1):
        part = weight[start:stop]
        if part.sum() >= STEADY**-2 or (stop == len(value) and part.sum() > 0):
            both = [np.nan_to_num(x[start:stop]) @ part / part.sum() for x in (frequency, value)]
            out.append((float(both[0]), float(both[1])))
            start = stop
    return np.array([x for x, _ in out]), np.array([y for _, y in out])


def _numbers(values: list[float | None]) -> Float64:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _periods(axes: Axes, end: float, scale: float | None, look: Look) -> None:
    """Periods above the curves, in arcseconds where a pixel's is known, and frequencies below them."""
    factor, unit = (scale, "″") if scale else (1.0, " px")
    wanted = [factor / period for period in PERIODS if 0.0 < factor / period <= end]
    kept: list[float] = []
    for place in sorted(wanted, reverse=True):
        if not kept or kept[-1] - place > 0.1 * end:
            kept.append(place)
    above = axes.secondary_xaxis("top")
    above.set_xticks(kept, [f"{factor / place:g}{unit}" for place in kept])
    above.tick_params(colors=look.soft, labelsize=points(13), length=3, pad=2)
    above.spines["top"].set_visible(False)
    step = 0.1 if end > 0.25 else 0.05
    axes.set_xticks(np.arange(0, end + 1e-9, step))
    axes.set_xlabel("Cycles per pixel; above: length of a cycle", fontsize=points(13), color=look.soft)


def _rows(axes: Axes, resolution: Mapping[str, Facts], names: list[str], look: Look, narrow: bool) -> None:
    """A row for each channel: the period at 1/7 with its range, drawn and in words."""
    known = [_drawn_period(resolution[name]) for name in names]
    ends = [value for period in known if period for value in period[1:]]
    low, high = (min(ends), max(ends)) if ends else (0.0, 1.0)
    margin = 0.12 * (high - low) or 0.1 * high
    axes.set_xlim(low - margin, high + margin)
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.set_yticks(range(len(names)), [NAMES.get(name, name) for name in names])
    axes.locator_params(axis="x", nbins=3 if narrow else 6)
    if not ends:
        axes.set_xticks([])
    for label in axes.get_yticklabels():
        label.set_color(look.ink)
        label.set_fontsize(points(14))
    for k, (name, period) in enumerate(zip(names, known, strict=True)):
        line = line_of(name, look)
        axes.axhline(k, color=look.rule, linewidth=0.8, zorder=0)
        style = {"marker": line["marker"], "color": line["color"], "markeredgecolor": look.paper}
        if period:
            axes.plot(period[1:], [k, k], color=line["color"], linewidth=2.6, solid_capstyle="butt")
            axes.plot([period[0]], [k], markersize=9, **style)
        words = _period(resolution[name], narrow) if period else "no number"
        axes.text(
            1.03,
            k,
            words,
            transform=axes.get_yaxis_transform(),
            va="center",
            fontsize=points(13),
            color=look.ink,
        )
    unit = "arcsec" if any(resolution[name]["arcsec"] for name in names) else "px"
    if ends:
        axes.set_xlabel(
            f"Cycle at 1/7, {unit}" if narrow else f"Length of a cycle at 1/7, {unit}; finer is to the left",
            fontsize=points(13), color=look.soft,
        )  # fmt: skip


def _drawn_period(fact: Facts) -> tuple[float, float, float] | None:
    """Period with its range in arcseconds, or pixels where they are all that is known; None without a number."""
    period = fact["arcsec"] or fact
    if period["value"] is None:
        return None
    low, high = (period[key] if period[key] is not None else period["value"] for key in ("low", "high"))
    return period["value"], low, high


def _period(fact: Facts, narrow: bool) -> str:
    """Period of the finest detail in words."""
    finer = "≤ " if fact["at_limit"] else ""
    words = f"{finer}{digits(fact['value'], 2 if narrow else 3)} px"
    arcsec = fact["arcsec"]
    if arcsec is None:
        return words
    words += f" = {digits(arcsec['value'], 2 if narrow else 3)}″"
    if narrow or fact["at_limit"] or arcsec["low"] is None or arcsec["high"] is None:
        return words
    return f"{words}  ({digits(arcsec['low'])} to {digits(arcsec['high'])}″)"


def _note(resolution: Mapping[str, Facts], names: list[str], width_px: float) -> str:
    """What the terms mean, and why channels have no number, each reason once."""
    reasons: dict[str, list[str]] = {}
    for name in names:
        if resolution[name]["reason"]:
            reasons.setdefault(resolution[name]["reason"], []).append(name)
    said = [f"{', '.join(who)}: {why}." for why, who in reasons.items()]
    if len(reasons) == 0 or any(resolution[name]["value"] is not None for name in names):
        said = [*TERMS, *said]
    return "\n".join(wrapped(one, width_px, 13) for one in said)


def _words(resolution: Mapping[str, Facts], names: list[str]) -> str:
    """The whole figure in a sentence."""
    each = [
        f"{NAMES.get(name, name)} {_period(resolution[name], True) if resolution[name]['value'] else 'no number'}"
        for name in names
    ]
    return f"Resolution where the correlation of the half stacks falls to 1/7: {'; '.join(each)}"
