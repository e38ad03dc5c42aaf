"""Cameras and filters as they are named on the command line: one that comes along, a file, or bands by themselves."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fourlight.cli.plain import number
from fourlight.errors import InputError

if TYPE_CHECKING:
    from fourlight.report.figure_style import Drawn
    from fourlight.sensor.filters import Beam, Filter
    from fourlight.sensor.response import Response

__all__ = [
    "AsJson",
    "Bands",
    "FRatio",
    "Index",
    "Obstruction",
    "Picture",
    "beam_of",
    "camera_named",
    "draw",
    "filter_named",
    "picture_path",
    "tell",
]

PICTURES = (".png", ".svg")

AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document instead.")]
Bands = Annotated[
    list[str] | None,
    typer.Option(
        "--band", metavar="CENTRE,WIDTH", help="A band of a filter of your own, nm; repeat it for more."
    ),
]
FRatio = Annotated[
    float | None,
    typer.Option(
        "--f-ratio", parser=number, metavar="NUMBER", help="Focal length over aperture of the light in it."
    ),
]
Obstruction = Annotated[
    float | None,
    typer.Option(
        parser=number, metavar="PART", help="Part of the diameter obstructed in the middle, 0 to 0.9."
    ),
]
Index = Annotated[
    float | None,
    typer.Option(
        parser=number, metavar="NUMBER", help="Effective refractive index of the filter; 1.8 unless given."
    ),
]
Picture = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Draw the curves too, into a .png or .svg file.")
]


def camera_named(name: str, error_percent: float | None) -> Response:
    """The camera of a name or of a CSV file, see `fourlight.pipeline.curves`."""
    from fourlight.pipeline.curves import camera_named as known

    return known(name, error_percent)


def filter_named(name: str | None, bands: Sequence[str], index: float | None) -> Filter:
    """The filter of a name, of a CSV file, or of bands as they are written on the command line; none without either."""
    from fourlight.pipeline.curves import filter_named as known
    from fourlight.sensor.filters import Filter

    if bands and name is not None:
        raise InputError(f"a filter ({name}) and bands are given; give one of the two")
    if bands:
        chosen = Filter("own bands", tuple(_band(text) for text in bands), source="as given")
    else:
        chosen = known("none" if name is None else name)
    return chosen if index is None else replace(chosen, index=index)


def _band(text: str) -> Any:
    from fourlight.sensor.filters import Band

    try:
        numbers = [float(part) for part in text.split(",")]
        if not 2 <= len(numbers) <= 4:
            raise ValueError
    except ValueError:
        raise InputError(
            f"--band {text}: write it as CENTRE,WIDTH in nm, such as 656.3,7, and where you like the transmission and "
            "the width of an edge after them, such as 656.3,7,0.9,1"
        ) from None
    return Band(*numbers)


def beam_of(f_ratio: float | None, obstruction: float | None) -> Beam | None:
    """The converging light in which a filter stands; None where no f-ratio is given."""
    from fourlight.sensor.filters import Beam

    if f_ratio is None:
        if obstruction is not None:
            raise InputError(f"--obstruction {obstruction:g} goes with --f-ratio; give that too")
        return None
    return Beam(f_ratio, obstruction or 0.0)


def tell(facts: dict[str, Any] | list[dict[str, Any]], lines: Sequence[str], *, as_json: bool) -> None:
    """Print facts as JSON, or the lines that say them."""
    from fourlight.pipeline.outputs import plain_json

    sys.stdout.write(plain_json(facts) + "\n" if as_json else "\n".join(lines) + "\n")


def picture_path(out: Path) -> Path:
    """A file that a picture may be written to, by its ending."""
    if out.suffix.lower() not in PICTURES:
        raise InputError(f"{out}: a name that ends in .png or .svg is needed for the picture")
    return out


def draw(out: Path, drawn: Drawn) -> None:
    """Write a figure as the kind of picture that its name says.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    from fourlight.io.room import whole

    with whole(out) as part:
        part.write_bytes(drawn.png if out.suffix.lower() == ".png" else drawn.svg)
