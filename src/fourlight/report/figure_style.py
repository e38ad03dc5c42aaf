"""How figures look: sizes, colours and marks of the channels; and their files, as pixels and as lines.

Figures are drawn by matplotlib, once for both kinds of file, and it is only loaded when one is made. Letters become
outlines, so that they look the same on every machine. Every channel has a mark and a kind of line besides its colour.
"""

from __future__ import annotations

import io
import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from PIL import Image

from fourlight.io.room import whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "DARK",
    "LIGHT",
    "NAMES",
    "NARROW",
    "WIDE",
    "Drawn",
    "Look",
    "blank",
    "files",
    "footed",
    "laid_over",
    "line_of",
    "over_picture",
    "plain_axes",
    "points",
    "titled",
    "wrapped",
    "write_figure",
]

PX_PER_INCH = 100.0
WIDE, NARROW = 960, 390
"""Widths in pixels of a page: of a talk or a wide window, and of a telephone."""
SHARPNESS = 2
"""Pixels of the file along one of the page."""

NAMES = {"R": "Red", "G1": "Green 1", "G2": "Green 2", "B": "Blue", "G": "Green"}
_MARKS = {"R": "o", "G1": "s", "G2": "D", "B": "^", "G": "h"}
_DASHES: dict[str, Any] = {
    "R": "-",
    "G1": (0, (6, 2)),
    "G2": (0, (2, 1.6)),
    "B": (0, (7, 2, 1.5, 2)),
    "G": "-",
}


@dataclass(frozen=True, slots=True)
class Look:
    """Colours of a figure."""

    paper: str
    ink: str
    soft: str
    rule: str
    panel: str
    channel: dict[str, str]
    other: str
    """Of a channel that is none of the mosaic's."""


LIGHT = Look(
    "#fbfaf7", "#1d1f24", "#5c606b", "#d9d5ca", "#f1efe9",
    {"R": "#c4451c", "G1": "#16794f", "G2": "#5c7a17", "B": "#2f66c4", "G": "#0d3f36"}, "#55596a",
)  # fmt: skip
DARK = Look(
    "#14161b", "#e9e6df", "#a5a8b2", "#343842", "#1d2027",
    {"R": "#f0764a", "G1": "#35b487", "G2": "#b9d65f", "B": "#7aa6f5", "G": "#d6f5ea"}, "#b4b8c6",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Drawn:
    """One figure as files."""

    png: bytes
    """At twice the pixels of the page."""
    svg: bytes
    """Empty where a picture lies below."""
    words: str
    """What it shows, for those who do not see it."""


def points(px: float) -> float:
    """Size of letters in points from pixels of the page.

    >>> points(100 / 72 * 10)
    10.0
    """
    return px * 72 / PX_PER_INCH


def blank(width: int, height: float, look: Look) -> Figure:
    """An empty figure of a size in pixels of the page."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width / PX_PER_INCH, height / PX_PER_INCH), dpi=PX_PER_INCH, facecolor=look.paper)


def plain_axes(figure: Figure, box: tuple[float, float, float, float], look: Look) -> Axes:
    """Axes with nothing but ticks.

    Parameters
    ----------
    figure : Figure
    box : left, top, width, height
        In pixels of the page, from its upper left corner.
    look : Look
    """
    width, height = (float(side) * PX_PER_INCH for side in figure.get_size_inches())
    left, top, across, down = box
    axes = figure.add_axes((left / width, 1 - (top + down) / height, across / width, down / height))
    axes.set_facecolor("none")
    axes.tick_params(colors=look.soft, labelsize=points(13), length=0, pad=5)
    for side in axes.spines.values():
        side.set_visible(False)
    return axes


def titled(figure: Figure, title: str, look: Look, narrow: bool) -> None:
    """Write the title at the upper left corner, smaller where it is long: a bold letter is 0.66 of its size wide."""
    width, height = (float(side) * PX_PER_INCH for side in figure.get_size_inches())
    size, side = (15.0, 12) if narrow else (18.0, 24)
    size = max(12.0, min(size, (width - 2 * side) / (0.66 * max(len(title), 1))))
    figure.text(
        side / width, 1 - 14 / height, title, fontsize=points(size), color=look.ink, va="top", weight="bold"
    )


def footed(figure: Figure, text: str, side: float, look: Look) -> None:
    """Write broken lines at the lower left corner, ``side`` pixels of the page from it."""
    width, height = (float(part) * PX_PER_INCH for part in figure.get_size_inches())
    if text:
        figure.text(
            side / width, 8 / height, text, va="bottom", fontsize=points(13), color=look.soft, linespacing=1.3
        )


def line_of(channel: str, look: Look) -> dict[str, Any]:
    """Colour, kind of line and mark of a channel, as matplotlib names them."""
    return {
        "color": look.channel.get(channel, look.other),
        "linestyle": _DASHES.get(channel, "-"),
        "marker": _MARKS.get(channel, "P"),
    }


def wrapped(text: str, width_px: float, size_px: float) -> str:
    """Text broken into lines of about a width; a letter is half as wide as its size or a little more."""
    return textwrap.fill(text, max(12, int(width_px / (0.56 * size_px))))


def over_picture(
    figure: Figure, words: str, picture: npt.NDArray[np.uint8], box: tuple[float, float, float, float]
) -> Drawn:
    """A figure over a picture as a file of pixels alone; see `laid_over`."""
    out = io.BytesIO()
    laid_over(figure, picture, box).save(out, "PNG")
    return Drawn(out.getvalue(), b"", words)


def laid_over(
    figure: Figure, picture: npt.NDArray[np.uint8], box: tuple[float, float, float, float]
) -> Image.Image:
    """A figure over a picture: matplotlib takes 300 MB for one of 2,000 pixels, this hardly any.

    Parameters
    ----------
    figure : Figure
        With nothing of its own where the picture is to be seen.
    picture : (my, mx, 3) uint8
    box : left, top, width, height
        Where it lies, in pixels of the page, from its upper left corner.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.colors import to_rgb

    paper = tuple(round(255 * part) for part in to_rgb(figure.get_facecolor()))
    left, top, width, height = (round(SHARPNESS * side) for side in box)
    figure.set_facecolor("none")
    figure.set_dpi(SHARPNESS * PX_PER_INCH)
    canvas: Any = FigureCanvasAgg(figure)
    canvas.draw()
    drawn = Image.fromarray(np.asarray(canvas.buffer_rgba()))
    page = Image.new("RGB", drawn.size, paper)
    below = Image.fromarray(picture)
    if below.size != (width, height):
        below = below.resize((width, height), Image.Resampling.LANCZOS)
    page.paste(below, (left, top))
    page.paste(drawn, mask=drawn.getchannel("A"))
    return page


def files(figure: Figure, words: str, *, vector: bool = True) -> Drawn:
    """A figure as pixels and, with ``vector``, as lines; the same figure gives the same bytes."""
    import matplotlib

    drawn = {"svg": b""}
    with matplotlib.rc_context({"svg.hashsalt": "fourlight", "svg.fonttype": "path"}):
        for kind, metadata in (
            ("png", {"Software": None}),
            ("svg", {"Date": None, "Creator": None, "Title": words}),
        )[: 1 + vector]:
            out = io.BytesIO()
            figure.savefig(
                out,
                format=kind,
                dpi=SHARPNESS * PX_PER_INCH,
                facecolor=figure.get_facecolor(),
                metadata=metadata,
            )
            drawn[kind] = out.getvalue()
    return Drawn(drawn["png"], drawn["svg"], words)


def write_figure(folder: Path, name: str, drawn: Drawn, *, vector: bool = True) -> list[Path]:
    """Write ``name.png``, and with ``vector`` ``name.svg``, into a folder that is there.

    Raises
    ------
    OutputError
        They cannot be written.
    """
    paths = []
    for kind, data in (("png", drawn.png), ("svg", drawn.svg))[: 1 + vector]:
        paths.append(folder / f"{name}.{kind}")
        with whole(paths[-1]) as part:
            part.write_bytes(data)
    return paths
