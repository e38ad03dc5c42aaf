"""Simulated pictures of both setups beside each other."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from fourlight.report.clock import span_words
from fourlight.report.comparing_words import CALLED
from fourlight.report.figure_pictures import Panel, panels_figure
from fourlight.report.figure_style import LIGHT, NARROW, WIDE, Drawn, Look
from fourlight.stages.compare_whole import Compared

__all__ = ["compare_pictures_figure"]

Uint8 = npt.NDArray[np.uint8]


def compare_pictures_figure(
    compared: Compared, views: Sequence[Uint8], shown: Sequence[str], *, width: int = WIDE, look: Look = LIGHT
) -> Drawn:
    """Both pictures under their headings.

    Parameters
    ----------
    compared : Compared
    views : two of (my, mx, 3) uint8
    shown : three of str
        Kinds of light in red, green and blue.
    width : int
        `WIDE`: beside each other; `NARROW`: below each other.
    look : Look
    """
    panels: list[Panel] = [
        (f"{letter}: {side.setup.name}", None, view)
        for letter, side, view in zip("AB", compared.sides, views, strict=True)
    ]
    title = f"Simulated: an invented object after {span_words(compared.asked.hours)}"
    return panels_figure(
        panels, 1 if width <= NARROW else 2, title, picture_words(compared, shown), width, look
    )


def picture_words(compared: Compared, shown: Sequence[str]) -> str:
    """What the pictures are."""
    red, green, blue = (CALLED[name] for name in shown)
    if red == "red light":
        red, green, blue = "that beyond 590 nm", "that between", "that below 500 nm"
    colours = f"red is {red}, green {green}, blue {blue}" if len(set(shown)) > 1 else f"all of it is {red}"
    if green == blue != red:
        colours = f"red is {red}, green and blue are {green}"
    return (
        f"The same invented object and stars through both, under the sky of these hours; {colours}, each in units of "
        "the brightness that is compared, told apart by least squares. One curve for both, nothing smoothed. Its "
        "brightest parts are 2.5 times as bright as that."
    )
