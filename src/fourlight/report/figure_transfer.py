"""Figures of a measured camera: photon transfer curve with what is left of it, and linearity."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from fourlight.core.linearity import HIGH, LOW
from fourlight.core.transferfit import RANGE
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
from fourlight.report.words import with_error

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["legend", "linearity_figure", "style_of", "ticks_inside", "transfer_figure"]

Facts = Mapping[str, Any]
Bool = npt.NDArray[np.bool_]
Float64 = npt.NDArray[np.float64]

OTHERS = {"r0c0": "R", "r0c1": "G1", "r1c0": "G2", "r1c1": "B"}
"""Places of no known colour, and the channel whose mark and kind of line they get."""
LEAST_LEFT = 2.0
"""Per cent to either side that residuals have room for, at least."""
MOST_LEFT = 12.0
LARGEST_BAR = 1.0
"""Per cent; points that are known less well are not drawn there."""


def style_of(name: str, look: Look) -> dict[str, Any]:
    """Colour, kind of line and mark of a place."""
    if name not in OTHERS:
        return line_of(name, look)
    return {**line_of(OTHERS[name], look), "color": look.other}


def legend(axes: Axes, look: Look, columns: int, above: float = 1.03) -> None:
    """Names of the places above the axes."""
    axes.legend(
        loc="lower left", bbox_to_anchor=(0.0, above), ncols=columns, frameon=False, fontsize=points(13),
        labelcolor=look.ink, handlelength=2.2, borderaxespad=0.0, columnspacing=1.2, handletextpad=0.5,
    )  # fmt: skip


def ticks_inside(axes: Axes) -> None:
    """Keep the ticks that lie between the ends of the axes, and none between them."""
    axes.minorticks_off()
    for axis, ends in ((axes.xaxis, axes.get_xlim()), (axes.yaxis, axes.get_ylim())):
        low, high = sorted(ends)
        axis.set_ticks([tick for tick in axis.get_majorticklocs() if low <= tick <= high])


def transfer_figure(facts: Facts, *, width: int = WIDE, look: Look = LIGHT) -> Drawn:
    """Temporal variance over level with the fitted line, and below it what the line leaves.

    Parameters
    ----------
    facts : mapping
        From `fourlight.report.camera.measured_facts`.
    width : int
        `WIDE` or `NARROW`.
    look : Look
    """
    narrow = width <= NARROW
    left, right, top = (66, 14, 74) if narrow else (80, 26, 84)
    high, low = (230, 120) if narrow else (320, 140)
    side = 12 if narrow else 24
    gain = facts["quantities"]["gain"]
    noise = facts["quantities"]["read_noise"]
    note = wrapped(
        f"Lines: {with_error(gain['value'], gain['error'])} e⁻ per ADU over a read noise of "
        f"{with_error(noise['value'], noise['error'])} e⁻ (means of the places), fitted to {100 * RANGE:.0f} % of "
        "saturation (filled marks; dotted: saturation). Open marks are not used. Bars: one standard error.",
        width - 2 * side, 13,
    )  # fmt: skip
    height = top + high + 18 + low + 62 + 18 * (note.count("\n") + 1)
    figure = blank(width, height, look)
    upper = plain_axes(figure, (left, top, width - left - right, high), look)
    lower = plain_axes(figure, (left, top + high + 18, width - left - right, low), look)
    curves = facts["curves"]
    _logarithmic(upper, curves, look)
    room = _room(curves)
    for name, curve in curves.items():
        _curve(upper, name, curve, look, narrow)
        _left(lower, name, curve, look, room)
    legend(upper, look, len(curves))
    _residual_axes(lower, upper.get_xlim(), room, look)
    ticks_inside(upper)
    ticks_inside(lower)
    titled(figure, "Photon transfer: noise grows with light", look, narrow)
    footed(figure, note, side, look)
    words = f"Temporal variance over level for {', '.join(curves)}, with lines, and residuals below."
    return files(figure, words)


def _column(curve: Facts, key: str) -> Float64:
    return np.array([part[key] for part in curve["points"]], dtype=np.float64)


def _logarithmic(axes: Axes, curves: Mapping[str, Facts], look: Look) -> None:
    level = np.concatenate([_column(curve, "level") for curve in curves.values()])
    variance = np.concatenate([_column(curve, "variance") for curve in curves.values()])
    used = np.concatenate([_column(curve, "used") for curve in curves.values()]).astype(bool)
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(0.7 * level.min(), 1.3 * level.max())
    axes.set_ylim(0.4 * variance[used & (variance > 0)].min(), 2.0 * variance.max())
    axes.grid(color=look.rule, linewidth=0.9)
    axes.set_axisbelow(True)
    axes.set_ylabel("Temporal variance, ADU²", fontsize=points(13), color=look.soft)
    axes.tick_params(labelbottom=False)


def _curve(axes: Axes, name: str, curve: Facts, look: Look, narrow: bool) -> None:
    style = style_of(name, look)
    mark = style.pop("marker")
    x = np.geomspace(*axes.get_xlim(), 200)
    axes.plot(
        x, x / curve["gain"] + curve["dark_variance"], linewidth=1.4, zorder=2,
        label=name if narrow else NAMES.get(name, name), **style,
    )  # fmt: skip
    used = _column(curve, "used").astype(bool)
    for part, fill in ((used, style["color"]), (~used, look.paper)):
        axes.plot(
            _column(curve, "level")[part], _column(curve, "variance")[part], mark, color=style["color"],
            markerfacecolor=fill, markersize=4.5, zorder=3,
        )  # fmt: skip
    if curve["reached"]:
        axes.axvline(
            curve["saturation"], color=style["color"], linewidth=1.0, linestyle=(0, (1, 2)), zorder=1
        )


def _over_line(curve: Facts) -> tuple[Float64, Float64, Float64, Bool]:
    """Level, what the light gives over what the line says, its error (both per cent), and whether the line is from it.

    Points whose error says nothing are left out.
    """
    level = _column(curve, "level")
    expected = level / curve["gain"]
    left, error = 100 * (_column(curve, "light") / expected - 1), 100 * _column(curve, "error") / expected
    sure = error < LARGEST_BAR
    return level[sure], left[sure], error[sure], _column(curve, "used").astype(bool)[sure]


def _room(curves: Mapping[str, Facts]) -> float:
    """Per cent to either side that hold all points of the lines with their bars, and others that lie about as near."""
    points = [_over_line(curve) for curve in curves.values()]
    far, used = (np.concatenate([each[k] for each in points]) for k in (1, 3))
    far = np.abs(far) + np.concatenate([each[2] for each in points])
    room = max(float(far[used].max(initial=0.0)), LEAST_LEFT)
    return float(np.clip(1.08 * far[far < 2 * room].max(initial=LEAST_LEFT), LEAST_LEFT, MOST_LEFT))


def _left(axes: Axes, name: str, curve: Facts, look: Look, room: float) -> None:
    """What the line leaves; points that lie too far off for the picture, such as full ones, are not on it."""
    style = style_of(name, look)
    level, left, error, used = _over_line(curve)
    inside = np.abs(left) + error <= room
    for part, fill in ((used, style["color"]), (~used & inside, look.paper)):
        axes.errorbar(
            level[part], left[part], error[part], fmt=style["marker"], color=style["color"], markersize=4.5,
            markerfacecolor=fill, elinewidth=1.0, zorder=3, clip_on=True,
        )  # fmt: skip


def _residual_axes(axes: Axes, limits: tuple[float, float], room: float, look: Look) -> None:
    axes.set_xscale("log")
    axes.set_xlim(*limits)
    axes.set_ylim(-room, room)
    axes.grid(color=look.rule, linewidth=0.9)
    axes.axhline(0, color=look.ink, linewidth=1.1, zorder=2)
    axes.set_ylabel("Over line, %", fontsize=points(13), color=look.soft)
    axes.set_xlabel("Level above no light, ADU", fontsize=points(13), color=look.soft)


def linearity_figure(facts: Facts, *, width: int = WIDE, look: Look = LIGHT) -> Drawn:
    """Relative deviations of the levels from a line over the exposure.

    Parameters
    ----------
    facts : mapping
        From `fourlight.report.camera.measured_facts`, with linearity.
    width : int
        `WIDE` or `NARROW`.
    look : Look
    """
    narrow = width <= NARROW
    left, right, top, high = (70, 14, 74, 220) if narrow else (84, 26, 84, 300)
    side = 12 if narrow else 24
    low, most = (facts["quantities"][f"linearity_{name}"]["value"] for name in ("lowest", "highest"))
    note = wrapped(
        f"Deviation from the line that makes relative deviations least, fitted from {100 * LOW:.0f} to "
        f"{100 * HIGH:.0f} % of saturation (filled marks): {_signed(low)} to {_signed(most)} %. Bars: one standard "
        "error, by the scatter of the flats of a level; a lamp that drifts is in the deviations.",
        width - 2 * side, 13,
    )  # fmt: skip
    figure = blank(width, top + high + 62 + 18 * (note.count("\n") + 1), look)
    axes = plain_axes(figure, (left, top, width - left - right, high), look)
    axes.grid(color=look.rule, linewidth=0.9)
    axes.set_axisbelow(True)
    axes.axhline(0, color=look.ink, linewidth=1.1, zorder=2)
    axes.set_xscale("log")
    sizes = [_deviations(axes, name, line, look, narrow) for name, line in facts["linearity"].items()]
    room = max(0.2, 1.5 * max(sizes))
    axes.set_ylim(-room, room)
    axes.set_ylabel("Off the line, %", fontsize=points(13), color=look.soft)
    axes.set_xlabel("Level above no light, ADU", fontsize=points(13), color=look.soft)
    legend(axes, look, len(facts["linearity"]))
    ticks_inside(axes)
    titled(figure, "Linearity: level over exposure", look, narrow)
    footed(figure, note, side, look)
    return files(figure, f"Deviations from linearity for {_listed(list(facts['linearity']))}.")


def _deviations(axes: Axes, name: str, line: Facts, look: Look, narrow: bool) -> float:
    """Draw the deviations of one place; the largest of those that count, per cent."""
    style = style_of(name, look)
    level, deviation, error = (np.array(line[key]) for key in ("level", "deviation", "error"))
    used, order = np.array(line["inside"]), np.argsort(level)
    axes.plot(
        level[order], 100 * deviation[order], linewidth=1.0, alpha=0.6,
        **{key: style[key] for key in ("color", "linestyle")},
    )  # fmt: skip
    for part, fill in ((used, style["color"]), (~used, look.paper)):
        axes.errorbar(
            level[part], 100 * deviation[part], 100 * error[part], fmt=style["marker"], color=style["color"],
            markersize=5, markerfacecolor=fill, elinewidth=1.2, zorder=3,
            label=(name if narrow else NAMES.get(name, name)) if fill != look.paper else None,
        )  # fmt: skip
    return float(np.abs(100 * deviation[used]).max())


def _signed(percent: float) -> str:
    return f"{percent:+.2f}".replace("-", "−")


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names)
