"""The picture to hand on: on dark paper, with its scale, where north is, and the facts below."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image

from fourlight.report.figure_style import DARK, SHARPNESS, WIDE, blank, laid_over, plain_axes, points, wrapped
from fourlight.report.words import counted, duration, reached
from fourlight.stages.framing import Framing

__all__ = ["PICTURE_PX", "bar_length", "captions", "compass", "sheet_figure"]

Facts = Mapping[str, Any]

SIDE_PX = 24
LINE_PX = 21
BAR_SHARE = 0.28
"""Of the width of the picture that the bar takes at most."""
STEPS_ARCSEC = tuple(
    unit * step for unit in (1, 60, 3600) for step in (1, 2, 5, 10, 15, 20, 30) if unit * step <= 10 * 3600
)
PICTURE_PX = SHARPNESS * (WIDE - 2 * SIDE_PX)
"""Width of the picture in the file."""
ARROW_PX = 34
OBJECTS = 3
"""Objects that stand in the title where the lights name none."""


def bar_length(width_arcsec: float) -> tuple[float, str]:
    """Length of a bar (arcsec) that takes a good part of a width, and what is written at it.

    >>> bar_length(3600.0), bar_length(100.0)
    ((900.0, '15′'), (20.0, '20″'))
    """
    fitting = [step for step in STEPS_ARCSEC if step <= BAR_SHARE * width_arcsec]
    length = float(fitting[-1]) if fitting else BAR_SHARE * width_arcsec
    unit, sign = (3600, "°") if length >= 3600 else (60, "′") if length >= 60 else (1, "″")
    return length, f"{length / unit:.3g}{sign}"


def captions(summary: Facts) -> tuple[str, list[str]]:
    """Title and facts of the picture, in words."""
    objects = reached(summary, "sky", "objects") or []
    named = [
        f"{each['name']} ({each['also']})" if each["also"] else each["name"] for each in objects[:OBJECTS]
    ]
    title = str(summary.get("object") or ", ".join(named) or "Deep-sky picture")
    frames = summary.get("frames") or ()
    nights = summary.get("nights") or ()
    dates = [str(night["night"]) for night in nights if night.get("night")]
    span = list(dict.fromkeys((*dates[:1], *dates[-1:])))
    filters = sorted({str(frame["filter"]) for frame in frames if frame.get("filter")})
    total = reached(summary, "integration", "total_exposure_s")
    light = [
        f"{duration(total)} of exposure" if total else "",
        counted(len(frames), "light"),
        counted(len(nights), "night") + (f" ({' to '.join(span)})" if span else "") if nights else "",
        f"filter {', '.join(filters)}" if filters else "",
    ]
    return title, [", ".join(part for part in light if part) + "."]


def sheet_figure(
    picture: npt.NDArray[np.uint8], summary: Facts, *, width: int = WIDE
) -> tuple[Image.Image, str]:
    """The picture with its facts, and the same in words.

    Parameters
    ----------
    picture : (my, mx, 3) uint8
        As it is shown, cropped and turned, reduced or not.
    summary : mapping
        Content of ``summary.json``; ``picture`` tells the part and the turn.
    width : int
        Pixels of the page.
    """
    framing = Framing.of(summary["picture"])
    across = width - 2.0 * SIDE_PX
    down = across * picture.shape[0] / picture.shape[1]
    title, said = captions(summary)
    size = framing.window[1] - framing.window[0], framing.window[3] - framing.window[2]
    ny, nx = size if framing.quarters % 2 == 0 else size[::-1]
    scale = reached(summary, "sky", "scale_arcsec_px") or summary.get("scale_arcsec_px")
    said.append(_size(nx, ny, scale))
    lines = [line for sentence in said for line in wrapped(sentence, across, 14).splitlines()]
    height = SIDE_PX + down + 20 + 28 + LINE_PX * len(lines) + 14
    figure = blank(width, height, DARK)
    axes = plain_axes(figure, (SIDE_PX, SIDE_PX, across, down), DARK)
    axes.set_axis_off()
    if scale:
        _draw_bar(axes, scale * nx, across, down)
    if summary.get("sky"):
        _draw_north(axes, summary["sky"], framing, across, down)
    axes.set_xlim(0, across)
    axes.set_ylim(down, 0)
    top = SIDE_PX + down + 20
    figure.text(
        SIDE_PX / width, 1 - top / height, title, fontsize=points(min(20.0, across / (0.66 * max(len(title), 1)))),
        color=DARK.ink, va="top", weight="bold",
    )  # fmt: skip
    for number, line in enumerate(lines):
        figure.text(
            SIDE_PX / width, 1 - (top + 32 + LINE_PX * number) / height, line, fontsize=points(14), color=DARK.soft,
            va="top",
        )  # fmt: skip
    return laid_over(figure, picture, (SIDE_PX, SIDE_PX, across, down)), f"{title}: {' '.join(said)}"


def _size(nx: int, ny: int, scale: float | None) -> str:
    """Size of the picture on the sky and on paper."""
    cm = f"{_length(2.54 * nx / 300)} by {_length(2.54 * ny / 300)} cm at 300 dots per inch"
    if not scale:
        return f"{nx} by {ny} pixels; {cm}."
    wide, high = (side * scale / 3600 for side in (nx, ny))
    field = f"{wide:.2f}° by {high:.2f}°"
    if min(wide, high) < 1:
        field = f"{_length(60 * wide)}′ by {_length(60 * high)}′"
    return f"{field} at {scale:.3g}″ per pixel, {nx} by {ny} pixels; {cm}."


def _length(value: float) -> str:
    """A length in whole units; a short one to two figures.

    >>> _length(14.6), _length(0.1355)
    ('15', '0.14')
    """
    return f"{value:.0f}" if value >= 9.5 else f"{value:.2g}"


def _draw_bar(axes: Any, width_arcsec: float, across: float, down: float) -> None:
    length, words = bar_length(width_arcsec)
    x, y, long = 18.0, down - 18.0, across * length / width_arcsec
    for colour, thick in (("#000000", 4.0), ("#ffffff", 1.8)):
        axes.plot([x, x + long], [y, y], color=colour, linewidth=thick, solid_capstyle="butt")
    _write(axes, x + long / 2, y - 12, words)


def _draw_north(axes: Any, sky: Facts, framing: Framing, across: float, down: float) -> None:
    """Arrows to north and east at the lower right."""
    ways = [_turned(way, framing) for way in compass(sky)]
    middle = np.array([across, down]) - 26 - ARROW_PX * np.maximum(np.max(ways, axis=0), 0.35)
    for way, letter in zip(ways, "NE", strict=True):
        end = middle + ARROW_PX * way
        for colour, thick in (("#000000", 3.4), ("#ffffff", 1.4)):
            arrow = {"arrowstyle": "-|>", "color": colour, "linewidth": thick, "shrinkA": 0, "shrinkB": 0}
            axes.annotate("", end, middle, arrowprops=arrow)
        x, y = middle + (ARROW_PX + 12) * way
        _write(axes, float(x), float(y), letter)


def compass(sky: Facts) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Directions x, y (y down) of north and east on the stack."""
    turn = np.radians(float(sky["rotation_deg"]))  # position angle of +y
    side = 1.0 if sky["mirrored"] else -1.0  # position angles grow from +y to +x where it lies as on the sky
    return np.array([-side * np.sin(turn), np.cos(turn)]), np.array([side * np.cos(turn), np.sin(turn)])


def _turned(way: npt.NDArray[np.float64], framing: Framing) -> npt.NDArray[np.float64]:
    """A direction x, y on the stack as it lies on the picture, y down."""
    x, y = (-way[0] if framing.mirrored else way[0]), way[1]
    for _ in range(framing.quarters):
        x, y = y, -x  # against the clock, y down
    return np.array([x, y])


def _write(axes: Any, x: float, y: float, words: str) -> None:
    axes.text(
        x, y, words, color="#ffffff", fontsize=points(13), ha="center", va="center",
        bbox={"facecolor": "#000000", "alpha": 0.4, "edgecolor": "none", "pad": 1.0},
    )  # fmt: skip
