"""What a picture rests on: beside it a map of what was smoothed, and below how far the half stacks confirm the rest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image

from fourlight.report.figure_style import (
    DARK,
    PX_PER_INCH,
    WIDE,
    blank,
    laid_over,
    plain_axes,
    points,
    wrapped,
)

__all__ = ["honesty_figure", "honesty_words", "map_colours", "slope_rows"]

Facts = Mapping[str, Any]
Bytes = npt.NDArray[np.uint8]

SIDE_PX, GAP_PX, LINE_PX, HEAD_PX, KEY_PX = 24, 12, 21, 62, 46
NAME_PX = 110
SMOOTH, MEASURED = np.array([22.0, 26.0, 40.0]), np.array([246.0, 222.0, 150.0])
"""Colours where all noise was smoothed away, and where none was: they differ in lightness, for every eye."""
SIZES = ("1-2 px", "2-4 px", "4-8 px", "8-16 px", "16-32 px")
"""Of structure, scale by scale."""


def map_colours(smoothed: npt.NDArray[np.float32]) -> Bytes:
    """Colours (ny, nx, 3) of shares of noise that were smoothed away, 0 to 1."""
    out = np.empty((*smoothed.shape, 3), dtype=np.uint8)
    for row, shares in zip(out, smoothed, strict=True):  # all at once, doubles of a page take 100 MB
        left = 1 - np.clip(np.nan_to_num(shares), 0, 1)[:, None]
        row[:] = np.rint(SMOOTH + (MEASURED - SMOOTH) * left)
    return out


def honesty_words(facts: Facts, notes: Mapping[str, Sequence[str]]) -> list[str]:
    """What was smoothed, sharpened, filled and chosen, one paragraph each."""
    smooth = facts.get("denoise")
    if smooth:
        kept = f"{100 * smooth['kept_area_share']:.0f} %"
        first = (
            f"Of detail that is not confirmed {100 * smooth['strength']:.0f} % was taken away. On {kept} of the field "
            "detail of the brightness stands above the noise and most of it is left; elsewhere it is smooth because "
            "nothing finer is known."
        )
        said = [first]
    else:
        said = ["Nothing was smoothed: what looks like grain is the noise of the measurement."]
    if notes.get("sharpen"):
        said.append(f"Sharpness: {' '.join(notes['sharpen'])}")
    said += [" ".join(notes[step]) for step in ("stars", "stretch") if notes.get(step)]
    return said


def slope_rows(facts: Facts) -> list[list[str]]:
    """How much of the detail kept of one half the other half holds, by colour and size; empty where nobody judged."""
    smooth = facts.get("denoise") or {}
    rows = []
    for name, before in (smooth.get("slopes") or {}).items():
        ends = smooth["capped"][name]
        rows.append([name, *(_held(slope, end) for slope, end in zip(before, ends, strict=True))])
    return rows


def _held(slope: float | None, end: float | None) -> str:
    """A share of what is kept, and that after doubtful detail was lowered; more than all is all."""
    if slope is None or end is None:
        return "none kept"
    found, after = (min(round(100 * share), 100) for share in (slope, end))
    return f"{found} %" if after <= found else f"{found} to {after} %"


def honesty_figure(
    picture: Bytes, taken: npt.NDArray[np.float32] | None, facts: Facts, notes: Mapping[str, Sequence[str]],
    *, width: int = WIDE,
) -> tuple[Image.Image, str]:  # fmt: skip
    """The sheet, and the same in words.

    Parameters
    ----------
    picture : (my, mx, 3) uint8
        As it is shown, reduced or not.
    taken : (ky, kx) float32 or None
        Share of the noise that was smoothed away on the same part of the sky; None: nothing was.
    facts, notes : mapping
        Of `fourlight.stages.picture_parts.Picture`.
    width : int
        Pixels of the page.
    """
    across = (width - 2 * SIDE_PX - GAP_PX) / 2
    down = across * picture.shape[0] / picture.shape[1]
    said, rows = honesty_words(facts, notes), slope_rows(facts)
    lines = [line for sentence in said for line in wrapped(sentence, width - 2 * SIDE_PX, 14).splitlines()]
    tall = LINE_PX * (len(rows) + 2.6) if rows else 0.0
    height = HEAD_PX + down + KEY_PX + tall + LINE_PX * len(lines) + 16
    figure = blank(width, height, DARK)
    _write(figure, SIDE_PX, 12, "What the picture rests on", 19, weight="bold")
    _write(figure, SIDE_PX, 40, "The picture", 14)
    _write(
        figure, SIDE_PX + across + GAP_PX, 40, "Where it shows what was measured, and where it is smooth", 14
    )
    _key(figure, (SIDE_PX + across + GAP_PX, HEAD_PX + down + 8, across, 8))
    top = HEAD_PX + down + KEY_PX
    if rows:
        _table(figure, top, rows, width)
    for number, line in enumerate(lines):
        _write(figure, SIDE_PX, top + tall + LINE_PX * number, line, 14, soft=True)
    box = (SIDE_PX, HEAD_PX, width - 2.0 * SIDE_PX, down)
    told = ["; ".join(f"{row[0]}: {', '.join(row[1:])}" for row in rows)] if rows else []
    return laid_over(figure, _beside(picture, taken, across), box), " ".join([*said, *told])


def _write(
    figure: Any, x: float, y: float, words: str, size: float, *, soft: bool = False, weight: str = "normal"
) -> None:
    width, height = (float(side) * PX_PER_INCH for side in figure.get_size_inches())
    figure.text(
        x / width, 1 - y / height, words, fontsize=points(size), color=DARK.soft if soft else DARK.ink, va="top",
        weight=weight,
    )  # fmt: skip


def _table(figure: Any, top: float, rows: Sequence[Sequence[str]], width: float) -> None:
    """Rows by colour, columns by the size of structure."""
    _write(
        figure, SIDE_PX, top, "Of the detail kept of one half stack, the other half holds, by size (before and after "
        "doubtful detail was lowered)", 14,
    )  # fmt: skip
    step = (width - 2 * SIDE_PX - NAME_PX) / len(SIZES)
    for number, cells in enumerate((("", *SIZES), *rows)):
        for column, words in enumerate(cells):
            x = SIDE_PX + (NAME_PX + step * (column - 1) if column else 0)
            _write(figure, x, top + LINE_PX * (number + 1.2), words, 14, soft=number > 0 and column > 0)


def _key(figure: Any, box: tuple[float, float, float, float]) -> None:
    """Colours of the map, with their shares."""
    axes = plain_axes(figure, box, DARK)
    axes.imshow(
        map_colours(np.linspace(1, 0, 256, dtype=np.float32)[None]), aspect="auto", extent=(0, 100, 0, 1)
    )
    axes.set_yticks([])
    axes.set_xticks([0, 50, 100], ["smooth: no noise left", "half of it", "as measured: all of it left"])
    first, _, last = axes.get_xticklabels()
    first.set_horizontalalignment("left")
    last.set_horizontalalignment("right")
    axes.tick_params(length=0, labelsize=points(12), labelcolor=DARK.soft)


def _beside(picture: Bytes, taken: npt.NDArray[np.float32] | None, across: float) -> Bytes:
    """Picture and map side by side with paper between them."""
    # of a tiny picture a gap of whole pixels would be none, or far too wide
    times = max(1, int(np.ceil(across / picture.shape[1])))
    picture = picture.repeat(times, axis=0).repeat(times, axis=1)
    ny, nx = picture.shape[:2]
    share = np.zeros((1, 1), dtype=np.float32) if taken is None else taken
    drawn = Image.fromarray(map_colours(share)).resize((nx, ny), Image.Resampling.BOX)
    gap = np.zeros((ny, max(1, round(GAP_PX * nx / across)), 3), dtype=np.uint8)
    gap[:] = Image.new("RGB", (1, 1), DARK.paper).getpixel((0, 0))
    return np.concatenate([picture, gap, np.asarray(drawn)], axis=1)
