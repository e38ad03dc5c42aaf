"""What is written of a stack whose place on the sky is known: cards of its headers, and figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from fourlight.io.export import own_tiff
from fourlight.io.room import writing
from fourlight.pipeline.plate import Solved
from fourlight.pipeline.star_colours import Coloured
from fourlight.report.figure_colours import colours_figure
from fourlight.report.figure_sky import sky_figure
from fourlight.report.figure_style import WIDE, write_figure
from fourlight.report.pictures import reduced
from fourlight.sky.objects import SkyObject
from fourlight.sky.plate import wcs_cards
from fourlight.stages.framing import Framing

__all__ = ["OF_SKY", "Seen", "sky_figures"]

SKY_FIGURE, COLOUR_FIGURE = "sky", "star-colours"
OF_SKY = (f"{SKY_FIGURE}.png", f"{COLOUR_FIGURE}.png", f"{COLOUR_FIGURE}.svg")
"""Files of figures."""
LONGEST_PX = 1920
"""Of the picture in the figure."""

Cards = Mapping[str, tuple[Any, str]]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A stack whose place is known, and what its catalogue stars say of its colours."""

    answer: Solved
    coloured: Coloured

    @property
    def cards(self) -> Cards:
        """Of every image."""
        return wcs_cards(self.answer.solution)

    @property
    def named(self) -> dict[str, Cards]:
        """Of units of the stack, by name: zero points of planes, the white point in the first."""
        facts = self.coloured.facts
        out: dict[str, Cards] = {
            plane: {
                "MAGZERO": (point["magnitude"], "[mag] AB, of one unit per second"),
                "MAGZERR": (point["error"], "[mag] one sigma"),
            }
            for plane, point in (facts.get("zero_points") or {}).items()
        }
        if white := facts.get("white"):
            out[""] = {
                "WHITE_BV": (white["b_v"], "[mag] B-V of the star that is white"),
                **{f"WHITE_{name}": (value, "factor that makes it so") for name, value in white["factors"].items()},
            }  # fmt: skip
        return out


def sky_figures(folder: Path, summary: Mapping[str, Any], seen: Seen, made: Path) -> None:
    """Write the picture under its grid, and colours of the catalogue against those measured.

    Parameters
    ----------
    folder : Path
        Made where it is not there.
    summary : mapping
        Content of ``summary.json``.
    seen : Seen
    made : Path
        Folder of ``picture.tif``.
    """
    with writing(folder):
        folder.mkdir(exist_ok=True)
    named = [(star["name"], star["x_px"], star["y_px"]) for star in summary["sky"]["named"]]
    small = Framing.of(summary["picture"]).straight(reduced(own_tiff(made / "picture.tif"), LONGEST_PX))
    known = [
        SkyObject(**{part.name: each[part.name] for part in fields(SkyObject)})
        for each in summary["sky"]["objects"]
    ]
    drawn = sky_figure(small, summary["picture"]["window"], seen.answer.solution, named, known, width=WIDE)
    write_figure(folder, SKY_FIGURE, drawn, vector=False)
    stars, found = seen.coloured.stars, seen.coloured.found
    if stars is not None and found is not None:
        write_figure(folder, COLOUR_FIGURE, colours_figure(stars, found))
