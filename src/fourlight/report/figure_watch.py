"""Chart of a night that goes on: signal over noise with what another hour gives, and below it what subs are like."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from fourlight.report.figure_style import (
    DARK,
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
from fourlight.report.words import digits

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["watch_figure"]

Float64 = npt.NDArray[np.float64]

HOUR_S = 3600.0
TALL, LOW, GAP, HEAD, FOOT = 250, 108, 46, 76, 74
"""Heights in pixels of the page: of the upper chart, of each lower one, between them, above and below all."""
LINE, AHEAD, BAD = "#e3b06f", "#8d7a5c", "#f0764a"
"""Warm and dim: they spare eyes that have got used to the dark."""
PANELS = (
    ("fwhm_px", "Star width (FWHM), px", "fwhm_px"),
    ("elongation", "Length of stars over width", "elongation"),
    ("sky", "Sky, {unit}s a second per sample", "sky"),
    ("transparency", "Starlight, % of the reference", "transparency"),
)


def watch_figure(facts: Mapping[str, Any], *, width: int = WIDE, look: Look = DARK) -> Drawn:
    """The chart of ``watch.json``.

    Parameters
    ----------
    facts : mapping
        Content of ``watch.json``.
    width : int
        Of the page, pixels.
    look : Look
    """
    narrow = width <= NARROW
    side, right = (60, 16) if narrow else (70, 26)
    height = HEAD + TALL + len(PANELS) * (LOW + GAP) + FOOT + (22 if narrow else 0)
    figure = blank(width, height, look)
    titled(
        figure,
        "Signal over noise" if narrow else "Signal over noise, and what the subs are like",
        look,
        narrow,
    )
    hours = np.array([row["time_s"] for row in facts["subs"]], dtype=np.float64) / HOUR_S
    used = np.array([row["status"] == "used" for row in facts["subs"]], dtype=np.bool_)
    end = max(float(hours[-1]) if len(hours) else 0.0, 0.05)
    last = end + (1.0 if facts["another_hour"] else 0.0)
    upper = plain_axes(figure, (side, HEAD, width - side - right, TALL), look)
    _snr(upper, facts, hours, look, narrow)
    axes = [upper]
    for k, (name, heading, alarmed) in enumerate(PANELS):
        top = HEAD + TALL + GAP + k * (LOW + GAP)
        panel = plain_axes(figure, (side, top, width - side - right, LOW), look)
        _panel(panel, facts, hours, used, name, alarmed)
        _heading(panel, heading.format(unit=facts["unit"] or "unit"), look)
        axes.append(panel)
    for each in axes:
        each.set_xlim(-0.02 * last, last * 1.02)
        each.grid(axis="y", color=look.rule, linewidth=0.6)
        each.locator_params(axis="y", nbins=4 if each is not upper else 5)
        each.locator_params(axis="x", nbins=5 if narrow else 9)
        if each is not axes[-1]:
            each.tick_params(labelbottom=False)
    axes[-1].set_xlabel("hours since the first sub", color=look.soft, fontsize=points(13))
    note = wrapped("Orange marks: subs in an alarm; a cross: set aside.", width - 2 * side, 13)
    footed(figure, note, side if not narrow else 14, look)
    drawn = files(figure, _words(facts), vector=False)
    figure.clear()
    return drawn


def _heading(axes: Axes, text: str, look: Look) -> None:
    axes.set_title(text, loc="left", fontsize=points(14), color=look.ink, pad=6)


def _snr(axes: Axes, facts: Mapping[str, Any], hours: Float64, look: Look, narrow: bool) -> None:
    snr = np.array([np.nan if value is None else value for value in facts["snr"]], dtype=np.float64)
    of = {"object": "Of the object, per pixel of the running stack", "star": "Of the middle clear star"}
    what = (facts["target"] or {}).get("what", "")
    _heading(axes, of.get(what, "Nothing stands out yet"), look)
    if not len(snr) or not np.isfinite(snr).any():
        axes.set_ylim(0, 1)
        return
    axes.plot(hours, snr, color=LINE, linewidth=2.2, solid_capstyle="round")
    now, ahead = float(snr[np.isfinite(snr)][-1]), facts["another_hour"]
    top = now
    if ahead:
        step = np.linspace(0, 1, 40)
        ends = {name: now * np.sqrt(1 + (ahead[name] ** 2 - 1) * step) for name in ("low", "ratio", "high")}
        at = hours[-1] + step
        axes.fill_between(at, ends["low"], ends["high"], color=AHEAD, alpha=0.35, linewidth=0)
        axes.plot(at, ends["ratio"], color=LINE, linewidth=1.6, linestyle=(0, (4, 3)))
        top = float(ends["high"][-1])
        text = digits(now * ahead["ratio"], 3) + ("" if narrow else " in another hour")
        axes.annotate(
            text, (float(at[-1]), float(ends["ratio"][-1])), xytext=(-2, 9), textcoords="offset points", ha="right",
            color=look.ink, fontsize=points(14),
        )  # fmt: skip
    axes.annotate(
        digits(now, 3), (float(hours[-1]), now), xytext=(-6, 9), textcoords="offset points", ha="right", color=look.ink,
        fontsize=points(15), weight="bold",
    )  # fmt: skip
    axes.set_ylim(0, top * 1.18)


def _panel(
    axes: Axes, facts: Mapping[str, Any], hours: Float64, used: npt.NDArray[np.bool_], name: str, alarmed: str
) -> None:
    rows: Sequence[Mapping[str, Any]] = facts["subs"]
    values = np.array([_number(row.get(name)) for row in rows], dtype=np.float64) * (
        100 if name == "transparency" else 1
    )
    bad = np.zeros(len(rows), dtype=np.bool_)
    for alarm in facts["alarms"]:
        if alarm["quantity"] == alarmed:
            bad[alarm["since"] : alarm["until"] if alarm["until"] is not None else len(rows)] = True
    axes.plot(hours[used & ~bad], values[used & ~bad], ".", color=LINE, markersize=4.5, alpha=0.85)
    axes.plot(hours[used & bad], values[used & bad], "D", color=BAD, markersize=4)
    known = values[used & np.isfinite(values)]
    if not len(known):
        axes.set_ylim(0, 1)
        return
    low, high = float(known.min()), float(known.max())
    room = max(high - low, 0.04 * high) * 0.15
    axes.set_ylim(low - 2 * room, high + room)
    axes.plot(hours[~used], np.full(int((~used).sum()), low - room), "x", color=BAD, markersize=5)


def _number(value: Any) -> float:
    return float("nan") if value is None else float(value)


def _words(facts: Mapping[str, Any]) -> str:
    """For those who do not see it."""
    if not facts["snr"]:
        return "No sub yet shows anything whose signal over noise could be told."
    ahead = facts["another_hour"]
    then = f", {digits(facts['snr'][-1] * ahead['ratio'], 3)} after another hour" if ahead else ""
    return f"Signal over noise is {digits(facts['snr'][-1], 3)} after {facts['used']} subs{then}."
