"""The figures that results can have: what their files are called, and what each of them shows in a sentence or two."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fourlight.report import figure_resolution, figure_shares
from fourlight.report.contributions import scope_words
from fourlight.report.figure_pictures import EACH_LESS, PLAIN, PLANES, loss_title
from fourlight.report.figures import TAKEN_AWAY

__all__ = ["FILES", "MOVING", "SKY", "STAR_COLOURS", "Listed", "figure_list"]

SKY = "The picture under a grid of coordinates, with its brightest stars"
STAR_COLOURS = "Colours of the catalogue against those measured, with the fit"
BARS = "Bars are shares of red, green and blue together; a line across the end of a bar is its interval."
SHAPES = (("", "png"), ("", "svg"), ("-narrow", "png"), ("-narrow", "svg"))
"""Files of a figure: as pixels and as lines, for a wide window and for a telephone."""
LOSSES = tuple(f"without-{colour}" for colour in TAKEN_AWAY.values())
NAMES = ("shares", "resolution", "planes", *LOSSES, "sky", "star-colours")
MOVING = "without-green.webp"
FILES = frozenset({*(f"{name}{end}.{kind}" for name in NAMES for end, kind in SHAPES), MOVING})
"""Every name that a file of a figure can have."""


@dataclass(frozen=True, slots=True)
class Listed:
    """A figure: its title, what it shows, and whether it is of numbers, drawn on paper that may be dark as well."""

    name: str
    title: str
    meaning: str
    drawn: bool = False

    @property
    def files(self) -> tuple[str, ...]:
        """Names that its files can have, that to be shown first."""
        return tuple(f"{self.name}{end}.{kind}" for end, kind in SHAPES)


def figure_list(channels: Mapping[str, Any] | None) -> list[Listed]:
    """All figures that there can be, in the order they are shown; ``channels`` is what ``channels.json`` holds."""
    return [
        Listed("shares", figure_shares.TITLE, f"{BARS} {scope_words(channels or {})}", drawn=True),
        Listed("resolution", figure_resolution.TITLE, " ".join(figure_resolution.TERMS), drawn=True),
        Listed("planes", PLANES, EACH_LESS),
        *(Listed(f"without-{colour}", loss_title(channel), PLAIN) for channel, colour in TAKEN_AWAY.items()),
        Listed("sky", "Where it is on the sky", f"{SKY}."),
        Listed("star-colours", "Colours of stars", f"{STAR_COLOURS}.", drawn=True),
    ]
