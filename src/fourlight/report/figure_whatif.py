"""Two stacks beside each other under one stretch, whole and in a detail, as they are: nothing smoothed."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from fourlight.core.stretch import Curve
from fourlight.report.figure_style import (
    LIGHT,
    NARROW,
    SHARPNESS,
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
from fourlight.report.pictures import detail_corner, two_lights

__all__ = ["pair_figure"]

Float32 = npt.NDArray[np.float32]
Uint8 = npt.NDArray[np.uint8]

GAP_PX, TOP_PX, HEAD_PX = 14, 46, 28
DETAIL = 0.28
"""Side of the detail over the shorter side of the stack."""
NOTE = (
    "Each less its own sky, both with the factors and the one plain curve of the first stack; nothing is smoothed or "
    "sharpened. Below, the same detail of both."
)
GONE = "The channel that is left out is shown as if it had seen nothing but sky."


def pair_figure(
    before: Mapping[str, Float32], after: Mapping[str, Float32], sky: Mapping[str, tuple[float, float]],
    headings: tuple[str, str], *, width: int = WIDE, look: Look = LIGHT,
) -> Drawn:  # fmt: skip
    """Both stacks, and a detail of both below.

    Parameters
    ----------
    before : mapping of R, G, B to (ny, nx) float32
    after : mapping
        The same; a channel that is not there is shown as if it had seen nothing but sky.
    sky : mapping
        Level of the empty sky of both.
    headings : (str, str)
    width : int
        Of the page.
    look : Look
    """
    shape = before["G"].shape
    step = max(1, -(-max(shape) // (SHARPNESS * (width // 2))))
    side = max(32, int(DETAIL * min(shape)))
    y0, x0 = detail_corner([(plane, np.float32(sky[name][0])) for name, plane in before.items()], side)
    part = np.s_[y0 : y0 + side, x0 : x0 + side]
    one, two, curve = two_lights(before, after, sky, step)
    near_one, near_two, _ = two_lights(before, after, sky, 1)
    views = [_display(one, curve), _display(two, curve)]
    views += [_display({k: v[part] for k, v in near.items()}, curve) for near in (near_one, near_two)]
    note = NOTE if after.keys() == before.keys() else f"{NOTE} {GONE}"
    return _drawn(views, headings, note, width, look)


def _display(light: Mapping[str, Float32], curve: Curve) -> Uint8:
    """Levels of coloured light; a channel that is not there is grey as the sky."""
    some = next(iter(light.values()))
    parts = [light.get(name, np.zeros_like(some)) for name in ("R", "G", "B")]
    return np.rint(np.clip(curve(np.stack(parts, axis=-1)), 0, 1) * 255).astype(np.uint8)


def _drawn(views: list[Uint8], headings: tuple[str, str], note: str, width: int, look: Look) -> Drawn:
    narrow = width <= NARROW
    side = 12 if narrow else 24
    across = (width - 2 * side - GAP_PX) / 2
    down = [across * views[k].shape[0] / views[k].shape[1] for k in (0, 2)]
    said = wrapped(note, width - 2 * side, 13)
    height = TOP_PX + HEAD_PX + down[0] + GAP_PX + down[1] + 18 * (said.count("\n") + 1) + 20
    figure = blank(width, height, look)
    top = TOP_PX + HEAD_PX
    for row in range(2):
        for column in range(2):
            left = side + column * (across + GAP_PX)
            axes = plain_axes(figure, (left, top, across, down[row]), look)
            axes.set_axis_off()
            axes.imshow(
                views[2 * row + column], interpolation="nearest" if row else "antialiased", aspect="auto"
            )
            if not row:
                figure.text(
                    left / width,
                    1 - (top - 8) / height,
                    headings[column],
                    fontsize=points(14),
                    color=look.ink,
                )
        top += down[row] + GAP_PX
    title = "The same object under one stretch" if narrow else "The same lights, the same object, one stretch"
    titled(figure, title, look, narrow)
    footed(figure, said, side, look)
    return files(figure, f"{headings[0]} and {headings[1].lower()}, whole and in a detail. {note}")
