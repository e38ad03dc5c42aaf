"""Figures made of pictures: planes beside each other under one stretch, and what a picture loses without a channel."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.colour import luminance, srgb_decode, srgb_encode
from fourlight.core.stretch import Curve
from fourlight.report.figure_style import (
    LIGHT,
    NAMES,
    NARROW,
    SHARPNESS,
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
from fourlight.report.pictures import balanced_light, shared_greys

__all__ = [
    "EACH_LESS",
    "PLAIN",
    "PLANES",
    "Loss",
    "Panel",
    "loss_figure",
    "loss_title",
    "panels_figure",
    "planes_figure",
    "without_channel",
]

Float32 = npt.NDArray[np.float32]
Uint8 = npt.NDArray[np.uint8]
Panel = tuple[str, str | None, Uint8]
"""Its heading, the channel whose mark stands before it, and grey (my, mx) or coloured (my, mx, 3) levels."""

GAP_PX, TOP_PX = 14, 46
PLAIN = (
    "All through one plain curve, nothing smoothed or sharpened: this is the stack, not the finished picture."
)
PLANES = "The planes under one stretch"
EACH_LESS = "Each less its own sky, all through one curve: the brighter a plane, the more light above the sky it holds."


@dataclass(frozen=True, slots=True)
class Loss:
    """A picture with all channels and with one less, each (my, mx, 3) uint8 under one curve."""

    whole: Uint8
    without: Uint8
    lost: Uint8
    """The channel's light alone."""


def planes_figure(
    planes: Mapping[str, Float32],
    *,
    title: str = PLANES,
    note: str = EACH_LESS,
    width: int = WIDE,
    look: Look = LIGHT,
) -> Drawn:
    """Planes beside each other, each less its own sky level, all through the same curve.

    Parameters
    ----------
    planes : mapping of name to (ny, nx) float32
        Planes of the stack, all of one shape; NaN, where nothing covers, is shown as sky.
    title, note : str
        Above and below them.
    width : int
        `WIDE`: up to four in a row; `NARROW`: two.
    look : Look

    Raises
    ------
    ValueError
        No plane holds anything.
    """
    columns = min(len(planes), 2 if width <= NARROW else 4)
    views = shared_greys(planes, SHARPNESS * max(width // max(columns, 1), 1))
    if not views:
        raise ValueError("no plane to draw; needed at least one that holds pixels")
    panels = [(NAMES.get(name, name), name if name in NAMES else None, view) for name, view in views.items()]
    return panels_figure(panels, min(columns, len(panels)), title, note, width, look)


def loss_figure(
    planes: Mapping[str, Float32], channel: str, *, weights: Mapping[str, float] | None = None, grey: bool = False,
    note: str = "", title: str = "", width: int = WIDE, look: Look = LIGHT,
) -> Drawn:  # fmt: skip
    """The picture with all channels, with one taken away, and what is lost.

    Parameters
    ----------
    planes, channel, weights
        See `without_channel`.
    grey : bool
        Show brightness alone (relative luminance, ITU-R BT.709), which is what most of the detail is seen by.
    note : str
        A sentence below, such as what share of the light that is; empty: what picture it is.
    title : str
        Empty: one that names the channel.
    width : int
        `WIDE`: three in a row; `NARROW`: below each other.
    look : Look
    """
    columns = 1 if width <= NARROW else 3
    loss = without_channel(planes, channel, weights, SHARPNESS * (width // columns))
    if grey:
        loss = Loss(*(_brightness(view) for view in (loss.whole, loss.without, loss.lost)))
    called = NAMES.get(channel, channel).lower()
    panels: list[Panel] = [
        ("All channels", None, loss.whole),
        (f"Without {called}", None, loss.without),
        (f"What is lost: {called}", channel, loss.lost),
    ]
    return panels_figure(
        panels,
        columns,
        title or loss_title(channel, grey=grey),
        note or PLAIN,
        width,
        look,
    )


def loss_title(channel: str, *, grey: bool = False) -> str:
    """What a figure of a loss is called.

    >>> loss_title("B")
    'What the picture loses without blue'
    """
    return (
        f"What the {'brightness' if grey else 'picture'} loses without {NAMES.get(channel, channel).lower()}"
    )


def without_channel(
    planes: Mapping[str, Float32],
    channel: str,
    weights: Mapping[str, float] | None = None,
    longest_px: int = 960,
) -> Loss:
    """Pictures of the planes' light, of what is left of it where a channel sees nothing but sky, and of its own.

    Parameters
    ----------
    planes : mapping of R, B and G, or G1 and G2, to (ny, nx) float32
        Planes of the stack; NaN, where nothing covers, is shown as sky.
    channel : str
        Whose light is taken away: one of the planes, or G for both greens.
    weights : mapping of R, G, B to float, optional
        Factors that balance the channels, such as those of the finished picture; None: all hold as much light above
        the sky.
    longest_px : int
        Pictures are reduced to about this.

    Raises
    ------
    ValueError
        A plane is missing, or the channel is none of them.
    """
    greens = [name for name in ("G1", "G2") if name in planes] or ["G"]
    needed = ["R", *greens, "B"]
    if not set(needed) <= set(planes):
        raise ValueError(f"planes R, G (or G1, G2) and B are needed; not {', '.join(planes) or 'none'}")
    gone = greens if channel == "G" else [channel]
    if not set(gone) <= set(needed):
        raise ValueError(f"channel {channel} is none of {', '.join(needed)}")
    light, curve = balanced_light({name: planes[name] for name in needed}, weights, longest_px)
    nothing = np.zeros_like(light["R"])

    def shown(kept: Sequence[str]) -> Uint8:
        green = np.mean([light[name] if name in kept else nothing for name in greens], axis=0)
        parts = [light["R"] if "R" in kept else nothing, green, light["B"] if "B" in kept else nothing]
        return _display(np.stack(parts, axis=-1), curve)

    return Loss(shown(needed), shown([name for name in needed if name not in gone]), shown(gone))


def _display(light: Float32, curve: Curve) -> Uint8:
    """Levels of coloured light: the curve acts on each channel, so that a channel that sees only sky is grey there."""
    return np.rint(np.clip(curve(light), 0, 1) * 255).astype(np.uint8)


def _brightness(view: Uint8) -> Uint8:
    """Grey levels as bright as the coloured ones."""
    light = luminance(srgb_decode(view.astype(np.float32) / np.float32(255)))
    return np.asarray(np.rint(255 * srgb_encode(light)), dtype=np.uint8)


def panels_figure(
    panels: Sequence[Panel], columns: int, title: str, note: str, width: int, look: Look = LIGHT
) -> Drawn:
    """Pictures in rows under headings."""
    narrow = width <= NARROW
    side, head = (12 if narrow else 24), 30
    across = (width - 2 * side - GAP_PX * (columns - 1)) / columns
    down = across * panels[0][2].shape[0] / panels[0][2].shape[1]
    rows = -(-len(panels) // columns)
    said = wrapped(note, width - 2 * side, 13) if note else ""
    below = 18 * (said.count("\n") + 1) + 16 if said else 14
    height = TOP_PX + rows * (head + down) + GAP_PX * (rows - 1) + below
    figure = blank(width, height, look)
    for k, (heading, channel, view) in enumerate(panels):
        left = side + (k % columns) * (across + GAP_PX)
        top = TOP_PX + (k // columns) * (head + down + GAP_PX)
        axes = plain_axes(figure, (left, top + head, across, down), look)
        axes.set_axis_off()
        grey: dict[str, Any] = {"cmap": "gray", "vmin": 0, "vmax": 255} if view.ndim == 2 else {}
        axes.imshow(view, interpolation="antialiased", aspect="auto", **grey)
        _heading(figure, (left, top + head / 2), heading, channel, look)
    titled(figure, title, look, narrow)
    footed(figure, said, side, look)
    return files(figure, f"{title}: {'; '.join(heading for heading, _, _ in panels)}. {note}".strip())


def _heading(figure: Any, place: tuple[float, float], heading: str, channel: str | None, look: Look) -> None:
    """A heading, with the mark of a channel before it."""
    from matplotlib.lines import Line2D

    width, height = (100 * float(side) for side in figure.get_size_inches())
    x, y = place[0], 1 - place[1] / height
    if channel:
        line = line_of(channel, look)
        style = {"marker": line["marker"], "color": line["color"], "markersize": 8, "linestyle": ""}
        figure.add_artist(Line2D([(x + 6) / width], [y], transform=figure.transFigure, **style))
        x += 18
    figure.text(x / width, y, heading, fontsize=points(14), color=look.ink, va="center_baseline")
