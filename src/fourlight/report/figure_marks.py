"""Rings, outlines and names on a picture of the sky; names never lie on each other."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from fourlight.report.figure_style import points
from fourlight.sky.objects import SkyObject, outline
from fourlight.sky.plate import PlateSolution

__all__ = ["Labels", "Named", "draw_object", "draw_stars", "name_stars"]

Named = tuple[str, float, float]
"""Name of a star and its pixel."""

PAPER, RIM, STAR = "#000000", "#9fd8ff", "#ffffff"
SMALLEST_PX = 9.0
"""Radius of the ring around an object that is smaller than that, or of unknown size, pixels of the page."""
RING_PX = 6.0
"""Radius of the ring around a star."""
EDGE_PX = 8.0
"""Least distance of a name from the sides, pixels of the page."""
WIDE_PX, HIGH_PX = 0.62, 1.25
"""Width of a letter and height of a line, over the size of the letters."""


class Labels:
    """What is written on a picture, so that nothing is written over it."""

    def __init__(self, axes: Any, window: Sequence[int], across: float) -> None:
        """Axes that show a window (y0, y1, x0, x1) of the stack, so many pixels of the page across."""
        self.axes, self.window = axes, window
        self.pixel = (window[3] - window[2]) / across
        """Pixels of the stack per pixel of the page."""
        self._boxes: list[tuple[float, float, float, float]] = []

    def write(self, text: str, places: Sequence[tuple[float, float]], colour: str, size: int) -> bool:
        """Write a name about the first of some places (x, y) that is free, moved into the picture; False if none is."""
        y0, y1, x0, x1 = self.window
        wide, high = 0.5 * WIDE_PX * size * len(text) * self.pixel, 0.5 * HIGH_PX * size * self.pixel
        for x, y in places:
            aside = wide + EDGE_PX * self.pixel
            u = float(np.clip(x, x0 + aside, max(x1 - aside, x0 + aside)))
            v = float(np.clip(y, y0 + 1.6 * high, y1 - 1.6 * high))
            if self._taken(u - wide, v - high, u + wide, v + high):
                continue
            self._boxes.append((u - wide, v - high, u + wide, v + high))
            self.axes.text(
                u, v, text, color=colour, fontsize=points(size), clip_on=True, ha="center", va="center",
                bbox={"facecolor": PAPER, "alpha": 0.4, "edgecolor": "none", "pad": 1.0},
            )  # fmt: skip
            return True
        return False

    def keep_free(self, x: float, y: float, radius: float) -> None:
        """Nothing is to be written over a place and so many pixels of the page around."""
        reach = radius * self.pixel
        self._boxes.append((x - reach, y - reach, x + reach, y + reach))

    def _taken(self, left: float, top: float, right: float, bottom: float) -> bool:
        return any(left < r and right > a and top < b and bottom > t for a, t, r, b in self._boxes)


def draw_object(labels: Labels, each: SkyObject, solution: PlateSolution) -> None:
    """An object's outline in the size that catalogues give it, its name above or below."""
    y0, y1, x0, x1 = labels.window
    x, y = solution.pixel(*outline(each))
    smallest = SMALLEST_PX * labels.pixel
    if np.ptp(x) + np.ptp(y) < 4 * smallest:
        turn = np.linspace(0, 2 * np.pi, len(x))
        x, y = x.mean() + smallest * np.sin(turn), y.mean() + smallest * np.cos(turn)
    labels.axes.plot(x, y, color=RIM, linewidth=0.9, alpha=0.8, linestyle=(0, (4, 3)))
    inside = np.flatnonzero((x > x0) & (x < x1 - 1) & (y > y0) & (y < y1 - 1))
    rim = inside[np.argsort(y[inside])]
    gap = 11 * labels.pixel
    places = (
        [(float(x[k]), float(y[k]) + side * gap) for k, side in zip(rim[[0, -1]], (-1, 1), strict=True)]
        if len(rim)
        else []
    )
    names = [f"{each.name} · {each.also}", each.name] if each.also else [each.name]
    for name in names:
        if labels.write(name, [*places, (float(x.mean()), float(y.mean()))], RIM, 12):
            return


def draw_stars(labels: Labels, stars: Sequence[Named]) -> None:
    """A ring around every star."""
    for _, x, y in stars:
        labels.keep_free(x, y, RING_PX)
        labels.axes.plot(
            [x], [y], marker="o", markersize=points(2 * RING_PX), fillstyle="none", color=STAR, markeredgewidth=0.9
        )  # fmt: skip


def name_stars(labels: Labels, stars: Sequence[Named]) -> None:
    """Their names beside them, where there is room."""
    for name, x, y in stars:
        aside = (1.8 * RING_PX + 0.5 * WIDE_PX * 11 * len(name)) * labels.pixel
        right_first = x < (labels.window[2] + labels.window[3]) / 2
        sides = (aside, -aside) if right_first else (-aside, aside)
        labels.write(name, [(x + side, y) for side in sides], STAR, 11)
