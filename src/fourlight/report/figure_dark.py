"""Figures of a measured camera: dark current over temperature, and where defective samples are."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from fourlight.core.darklaw import BOLTZMANN_EV, ZERO_C
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
from fourlight.report.figure_transfer import legend, ticks_inside
from fourlight.report.words import counted, with_error
from fourlight.stages.camera_maps import Defect

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["dark_figure", "defects_figure"]

Facts = Mapping[str, Any]

SHOWN = 4000
"""Defects of a kind that are drawn; of more, some spread over all."""
KINDS = (
    (Defect.HOT, "hot", "R", "o"),
    (Defect.COLD, "cold", "B", "v"),
    (Defect.UNSTEADY, "unsteady", "G1", "x"),
)


def dark_figure(facts: Facts, *, width: int = WIDE, look: Look = LIGHT) -> Drawn:
    """Dark current over temperature, with both laws where there are two temperatures or more.

    Parameters
    ----------
    facts : mapping
        From `fourlight.report.camera.measured_facts`, with dark currents.
    width : int
        `WIDE` or `NARROW`.
    look : Look
    """
    narrow = width <= NARROW
    left, right, top, high = (66, 14, 112, 240) if narrow else (82, 26, 84, 320)
    side = 12 if narrow else 24
    known = [c for c in facts["currents"] if c["temperature_c"] is not None]
    note = wrapped(_said(facts), width - 2 * side, 13)
    figure = blank(width, top + high + 62 + 18 * (note.count("\n") + 1), look)
    axes = plain_axes(figure, (left, top, width - left - right, high), look)
    axes.set_yscale("log")
    axes.grid(color=look.rule, linewidth=0.9)
    axes.set_axisbelow(True)
    _currents(axes, known, look)
    _laws(axes, facts["law"], look)
    ticks_inside(axes)
    axes.set_xlabel("Sensor temperature, °C", fontsize=points(13), color=look.soft)
    axes.set_ylabel(f"Dark current, {_numbers(axes)}e⁻ per second", fontsize=points(13), color=look.soft)
    legend(axes, look, 2 if narrow else 5)
    titled(figure, "Dark current grows with temperature" if facts["law"] else "Dark current", look, narrow)
    footed(figure, note, side, look)
    return files(figure, f"Dark current at {len(known)} temperatures or exposures.")


def _said(facts: Facts) -> str:
    law = facts["law"]
    if law is None:
        needed = facts["missing"].get("dark_law", "")
        return f"Bars: one standard error. No law of temperature: it needs {needed}." if needed else ""
    checked = (
        f"chi-squared {law['misfit'][0]:.0f} and {law['misfit'][1]:.0f} at {law['freedom']} degrees of freedom"
        if law["freedom"]
        else "nothing checks them, with two temperatures"
    )
    return (
        f"Doubles every {with_error(law['doubling_k'], law['doubling_error_k'])} K; activation energy "
        f"{with_error(law['energy_ev'], law['energy_error_ev'])} eV ({checked}). Bars: one standard error."
    )


def _currents(axes: Axes, known: list[Facts], look: Look) -> None:
    for key, label, colour, mark in (
        ("usual", "ordinary samples", look.ink, "o"),
        ("mean", "mean of all", look.channel["R"], "s"),
        ("scatter", "from the scatter", look.channel["B"], "^"),
    ):
        there = [c for c in known if c[key] is not None and c[key]["value"] > 0]
        if not there:
            continue
        place = np.array([c["temperature_c"] for c in there])
        value = np.array([c[key]["value"] for c in there])
        error = np.array([c[key]["error"] for c in there])
        first = key == "usual"
        axes.errorbar(
            place, value, [np.minimum(error, 0.9 * value), error], fmt=mark, color=colour, elinewidth=1.2, capsize=2.5,
            markersize=6 if first else 5, markerfacecolor=colour if first else look.paper, label=label,
            zorder=4 if first else 3,
        )  # fmt: skip


def _numbers(axes: Axes) -> str:
    """The power of ten that numbers at the y axis count, where it has none at two powers of ten; else nothing."""
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    if len(axes.get_yticks()) > 1:
        return ""
    low, high = axes.get_ylim()
    power = int(np.floor(np.log10(high)))
    ticks = MaxNLocator(5).tick_values(low, high)
    axes.set_yticks([tick for tick in ticks if low <= tick <= high])
    axes.yaxis.set_major_formatter(FuncFormatter(lambda tick, _: f"{tick / 10.0**power:.5g}"))
    return f"$10^{{{power}}}$ " if power else ""


def _laws(axes: Axes, law: Facts | None, look: Look) -> None:
    if law is None:
        return
    low, high = axes.get_xlim()
    t = np.linspace(low, high, 100)
    axes.plot(
        t, law["current"] * 2 ** ((t - law["reference_c"]) / law["doubling_k"]), color=look.ink, linewidth=1.6,
        zorder=2, label="doubling law",
    )  # fmt: skip
    inverse = (1 / (law["reference_c"] + ZERO_C) - 1 / (t + ZERO_C)) / BOLTZMANN_EV
    axes.plot(
        t, law["current"] * np.exp(law["energy_ev"] * inverse), color=look.soft, linewidth=1.3,
        linestyle=(0, (5, 2)), zorder=2, label="activation energy",
    )  # fmt: skip
    axes.set_xlim(low, high)


def defects_figure(
    defects: npt.NDArray[np.uint8], facts: Facts, *, width: int = WIDE, look: Look = LIGHT
) -> Drawn:
    """Where defective samples are on the sensor, each kind with its mark, and how many.

    Parameters
    ----------
    defects : (ny, nx) uint8
        Kinds of each sample, `fourlight.stages.camera_maps.Defect`.
    facts : mapping
        From `fourlight.report.camera.measured_facts`.
    width : int
        `WIDE` or `NARROW`.
    look : Look
    """
    narrow = width <= NARROW
    ny, nx = defects.shape
    left, right, top = (62, 14, 96) if narrow else (80, 26, 84)
    side = 12 if narrow else 24
    across = width - left - right
    high = across * ny / nx
    note = wrapped(
        f"{counted(int(np.count_nonzero(defects)), 'defective sample')} of {defects.size:,} "
        f"({100 * np.count_nonzero(defects) / defects.size:.3f} %). Hot: above others without light; cold: answers to "
        "light less than others; unsteady: scatters more than chance allows.",
        width - 2 * side, 13,
    )  # fmt: skip
    figure = blank(width, top + high + 62 + 18 * (note.count("\n") + 1), look)
    axes = plain_axes(figure, (left, top, across, high), look)
    axes.set_facecolor(look.panel)
    axes.set_xlim(-0.5, nx - 0.5)
    axes.set_ylim(ny - 0.5, -0.5)
    for kind, name, channel, mark in KINDS:
        y, x = np.nonzero(defects & kind)
        some = slice(None, None, max(1, len(y) // SHOWN))
        axes.plot(
            x[some], y[some], mark, color=look.channel[channel], markersize=4.5, alpha=0.85,
            label=f"{name}: {len(y):,}", markeredgewidth=0.9, markerfacecolor="none",
        )  # fmt: skip
    axes.set_xlabel("Column, pixels", fontsize=points(13), color=look.soft)
    axes.set_ylabel("Row, pixels", fontsize=points(13), color=look.soft)
    legend(axes, look, 2 if narrow else 3, above=1.0 + 8 / high)
    ticks_inside(axes)
    titled(figure, "Defective samples", look, narrow)
    footed(figure, note, side, look)
    return files(figure, "Places of hot, cold and unsteady samples on the sensor.")
