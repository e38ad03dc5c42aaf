"""Figures of spectral response: a camera's colours behind a filter, and what a filter passes, with the lines in it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from fourlight.core.passband import spans
from fourlight.core.spectra import LINES_NM
from fourlight.report.figure_style import (
    LIGHT,
    NAMES,
    NARROW,
    PX_PER_INCH,
    WIDE,
    Drawn,
    Look,
    blank,
    files,
    line_of,
    plain_axes,
    points,
    titled,
)
from fourlight.sensor.filters import Beam, Filter
from fourlight.sensor.lightpath import LightPath, of_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["camera_figure", "filter_figure"]

Float64 = npt.NDArray[np.float64]

GROUPS = (
    ("Hβ", "right", ("hbeta",)),
    ("[OIII]", "left", ("oiii_weak", "oiii")),
    ("Hα [NII]", "right", ("nii_weak", "halpha", "nii")),
    ("[SII]", "left", ("sii", "sii_strong")),
)
"""Lines that stand close: what they are called together, and to which side their name is."""
SHORT = {"hbeta": "Hβ", "oiii_weak": "[OIII]", "oiii": "[OIII]", "nii_weak": "[NII]", "halpha": "Hα", "nii": "[NII]",
         "sii": "[SII]", "sii_strong": "[SII]"}  # fmt: skip
MARKED = ("hbeta", "oiii", "halpha", "sii")
"""Lines at which a camera's response is marked with its error."""
SEEN_NM = (380.0, 720.0)
DARK = 0.003
"""What a filter passes where curves behind it are not drawn."""
NARROW_NM = 60.0
"""Bands that are narrower are drawn each by itself."""
MOST = 3
"""Panels beside each other."""
APART_PX = 12
"""Pixels of the page along a nanometre, from which lines that stand together have names of their own."""
STEPS_NM, TICK_PX = (1, 2, 5, 10, 20, 50, 100, 200), 55
"""Between wavelengths that are written below a panel, and room for one of them."""


def camera_figure(path: LightPath, *, width: int = WIDE, look: Look = LIGHT) -> Drawn:
    """Electrons per photon of each channel over wavelength, with one standard deviation.

    Behind a filter, the camera alone stays as thin lines.

    Parameters
    ----------
    path : LightPath
    width : int
        `WIDE` or `NARROW`.
    look : Look
    """
    narrow = width <= NARROW
    left, right, top, high = (42, 12, 92, 250) if narrow else (66, 26, 96, 330)
    figure = blank(width, top + high + 52, look)
    axes = plain_axes(figure, (left, top, width - left - right, high), look)
    wave = path.grid()
    _frame(axes, (max(wave[0], SEEN_NM[0]), min(wave[-1], SEEN_NM[1])), look)
    absolute = path.response.scale == "absolute"
    axes.set_ylabel(
        "Electrons per photon" if absolute else "Response, of the highest",
        fontsize=points(13),
        color=look.soft,
    )
    curves, sigma = path.at(wave), np.sqrt((path.modes_at(wave) ** 2).sum(axis=0))
    axes.set_ylim(0, 1.06 * max(1.0, float((curves + sigma).max())))
    _groups(axes, look)
    if path.filter.bands or path.filter.table is not None:
        _passed(axes, wave, path, look)
    _channels(axes, path, look, short=narrow and len(path.response.channels) > MOST)
    axes.legend(
        loc="lower left", bbox_to_anchor=(0.0, 1.07), ncols=len(path.response.channels), frameon=False,
        fontsize=points(13), labelcolor=look.ink, handlelength=2.2, borderaxespad=0.0, columnspacing=1.4,
    )  # fmt: skip
    behind = "" if path.filter.name == "none" else f" behind {path.filter.name}"
    behind += f" at f/{path.beam.f_ratio:g}" if behind and path.beam else ""
    titled(figure, f"{path.response.name}{behind}", look, narrow)
    return files(
        figure, f"Response of {path.response.name}{behind} over wavelength, one curve for each channel."
    )


def _frame(axes: Axes, seen_nm: tuple[float, float], look: Look) -> None:
    low, high = seen_nm
    room = axes.get_window_extent().width / TICK_PX
    step = next((step for step in STEPS_NM if (high - low) / step <= room), STEPS_NM[-1])
    axes.set_xticks(np.arange(np.ceil(low / step), np.floor(high / step + 1e-9) + 0.5) * step)
    axes.set_xlim(*seen_nm)
    axes.set_xlabel("Wavelength, nm", fontsize=points(13), color=look.soft)
    axes.set_yticks([0, 0.25, 0.5, 0.75, 1.0], ["0", "¼", "½", "¾", "1"])
    axes.hlines([0, 0.25, 0.5, 0.75, 1.0], *seen_nm, color=look.rule, linewidth=0.9, zorder=0)


def _groups(axes: Axes, look: Look) -> None:
    """Lines as thin uprights, with the names of those that stand together above."""
    low, high = axes.get_xlim()
    for name, side, keys in GROUPS:
        places = [LINES_NM[key] for key in keys if low <= LINES_NM[key] <= high]
        if not places:
            continue
        for place in places:
            axes.axvline(place, color=look.soft, linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)
        edge = max(places) if side == "right" else min(places)
        axes.annotate(
            name, (edge, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 3), textcoords="offset points",
            ha=side, va="bottom", fontsize=points(13), color=look.soft,
        )  # fmt: skip


def _passed(axes: Axes, wave: Float64, path: LightPath, look: Look) -> None:
    """What the filter passes as a shade, and the camera alone as thin lines."""
    axes.fill_between(
        wave, path.filter.at(wave, path.beam), color=look.rule, alpha=0.55, linewidth=0, zorder=0.5
    )
    for name, curve in zip(path.response.channels, path.response.at(wave), strict=True):
        axes.plot(wave, curve, color=line_of(name, look)["color"], linewidth=0.9, alpha=0.55, zorder=2)


def _channels(axes: Axes, path: LightPath, look: Look, *, short: bool) -> None:
    """Curves with their errors, where the filter lets something through, and marks at lines."""
    wave = path.grid()
    curves, sigma = path.at(wave), np.sqrt((path.modes_at(wave) ** 2).sum(axis=0))
    dark = path.filter.at(wave, path.beam) < DARK
    for k, (name, curve) in enumerate(zip(path.response.channels, curves, strict=True)):
        style = line_of(name, look)
        mark, colour = style.pop("marker"), style["color"]
        axes.fill_between(
            wave, np.maximum(curve - sigma[k], 0.0), curve + sigma[k], color=colour, alpha=0.16, linewidth=0
        )
        called = name if short else NAMES[name]
        axes.plot(wave, np.where(dark, np.nan, curve), linewidth=1.9, label=called, zorder=3, **style)
        for place in _marked(path):
            found = of_line(path, place)
            axes.errorbar(
                [place], [found.values[k]], [found.sigma[k]], marker=mark, markersize=5.5, zorder=4, color=colour,
                markeredgecolor=look.paper, elinewidth=1.3, capsize=2.5,
            )  # fmt: skip


def _marked(path: LightPath) -> list[float]:
    """Lines (nm) that curves reach and the filter passes."""
    low, high = path.response.range_nm
    places = [LINES_NM[key] for key in MARKED]
    return [place for place in places if low <= place <= high and path.filter.at(place, path.beam) >= DARK]


def filter_figure(
    chosen: Filter, beam: Beam | None = None, *, width: int = WIDE, look: Look = LIGHT
) -> Drawn:
    """What a filter passes over wavelength; narrow bands each by itself, in straight light and in a beam.

    Parameters
    ----------
    chosen : Filter
    beam : Beam or None
        Converging light in it.
    width : int
        `WIDE` or `NARROW`: panels beside or under each other.
    look : Look
    """
    narrow = width <= NARROW
    parts = _parts(chosen, beam)
    left, right, high = (42, 14, 210) if narrow else (66, 26, 300)
    top = 122 if beam is not None else 82
    columns = 1 if narrow else len(parts)
    across, down = (width - left - right - 50 * (columns - 1)) / columns, high + 88
    figure = blank(width, top + down * (len(parts) // columns) - 36, look)
    for k, part in enumerate(parts):
        box = (left + (k % columns) * (across + 50), top + (k // columns) * down, across, high)
        axes = plain_axes(figure, box, look)
        _panel(axes, chosen, beam, part, look, first=k == 0)
    if beam is not None:
        figure.legend(
            *figure.axes[0].get_legend_handles_labels(), loc="upper left", ncols=2, frameon=False,
            bbox_to_anchor=(left / width, 1 - 46 / (figure.get_figheight() * PX_PER_INCH)), fontsize=points(13),
            labelcolor=look.ink, handlelength=2.2, borderaxespad=0.0, columnspacing=1.4,
        )  # fmt: skip
    titled(figure, chosen.name, look, narrow)
    where = ", ".join(f"{low:.0f} to {high:.0f} nm" for low, high in parts)
    return files(figure, f"What the filter {chosen.name} passes over wavelength, {where}.")


def _parts(chosen: Filter, beam: Beam | None) -> Sequence[tuple[float, float]]:
    """Stretches of wavelength to draw: around each narrow band, else all that is seen."""
    wave = np.arange(SEEN_NM[0], SEEN_NM[1], 0.05)
    both = np.maximum(chosen.at(wave), chosen.at(wave, beam))
    found = spans(wave, both)
    if not found or len(found) > MOST or max(high - low for low, high in found) > NARROW_NM:
        return [SEEN_NM]
    return [(low - max(4.0, 0.6 * (high - low)), high + max(4.0, 0.6 * (high - low))) for low, high in found]


def _panel(
    axes: Axes, chosen: Filter, beam: Beam | None, part: tuple[float, float], look: Look, *, first: bool
) -> None:
    wave = np.linspace(*part, 1200)
    _frame(axes, part, look)
    axes.set_ylim(0, 1.06)
    if first:
        axes.set_ylabel("Passed", fontsize=points(13), color=look.soft)
    if axes.get_window_extent().width < APART_PX * (part[1] - part[0]):
        _groups(axes, look)
    else:
        _each_line(axes, look)
    axes.plot(
        wave, chosen.at(wave), color=look.soft if beam else look.ink, linestyle=(0, (5, 2)) if beam else "-",
        linewidth=1.3 if beam else 1.9, label="straight light",
    )  # fmt: skip
    if beam is not None:
        axes.plot(
            wave,
            chosen.at(wave, beam),
            color=look.ink,
            linewidth=1.9,
            label=_converging(beam, axes.figure.bbox.width),
        )
    for place in (LINES_NM[key] for key in SHORT):
        if part[0] <= place <= part[1]:
            axes.plot(
                [place], chosen.at([place], beam), "o", color=look.ink, markersize=5, zorder=4, clip_on=False
            )


def _converging(beam: Beam, room_px: float) -> str:
    """What is said of light that converges, as far as there is room."""
    told = beam.obstruction and room_px > NARROW
    middle = f", {100 * beam.obstruction:g} % of the diameter obstructed" if told else ""
    return f"at f/{beam.f_ratio:g}{middle}"


def _each_line(axes: Axes, look: Look) -> None:
    """Lines by themselves, where there is room between them; of close ones the names step down."""
    low, high = axes.get_xlim()
    inside = sorted((place, SHORT[key]) for key, place in LINES_NM.items() if low <= place <= high)
    last, level = -np.inf, 0
    for place, name in inside:
        level = (level + 1) % 2 if place - last < 0.16 * (high - low) else 0
        last = place
        axes.axvline(place, color=look.soft, linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)
        axes.annotate(
            name, (place, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 3 + 11 * level),
            textcoords="offset points", ha="center", va="bottom", fontsize=points(13), color=look.soft,
        )  # fmt: skip
