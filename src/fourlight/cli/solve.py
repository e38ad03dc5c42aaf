"""``fourlight solve``: where a stack or a frame is on the sky."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fourlight.cli.plain import number
from fourlight.errors import InputError

if TYPE_CHECKING:
    from fourlight.recipe import Recipe

__all__ = ["solve"]

LARGEST_SCALE = 3600.0
BLUEST, REDDEST = -0.3, 1.4


def solve(
    what: Annotated[
        Path, typer.Argument(metavar="OUT|FRAME", help="Folder of the results of a run, or one raw frame.")
    ],
    hint: Annotated[
        str | None,
        typer.Option(
            metavar="RA,DEC",
            help="A place near the middle, J2000: degrees (83.82,-5.39) or hours and degrees (5:35:17,-5:23:28). Else "
            "what the header says; else the whole sky.",
        ),
    ] = None,
    scale: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="ARCSEC",
            help="Arcsec per pixel, to 10 %. Else from pixel size and focal length in the header.",
        ),
    ] = None,
    camera: Annotated[
        str | None,
        typer.Option(
            metavar="NAME|CSV",
            help="Camera for the colours of stars, as in fourlight camera list, or a CSV file. Else the recipe's.",
        ),
    ] = None,
    filter_: Annotated[
        str | None,
        typer.Option(
            "--filter",
            metavar="NAME|CSV",
            help="Filter, as in fourlight filter list, or a CSV file. Else recipe or header.",
        ),
    ] = None,
    white: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="B-V",
            help="B-V of the star that is white, -0.3 to 1.4. Else the Sun's, 0.653.",
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the solution as JSON at the end.")] = False,
) -> None:
    """Find where a picture is on the sky, offline, and calibrate the colours of a stack; frames are only read."""
    from fourlight.pipeline.plate import place_from

    place = None if hint is None else place_from(hint, "--hint")
    if white is not None and not BLUEST <= white <= REDDEST:
        raise InputError(
            f"--white {white:g}: B-V of a star is needed, {BLUEST:g} to {REDDEST:g}, such as 0.653"
        )
    if scale is not None and not 0 < scale <= LARGEST_SCALE:
        raise InputError(
            f"--scale {scale:g}: arcsec per pixel are needed, above 0 and at most {LARGEST_SCALE:g}, such as 1.85"
        )
    from fourlight.cli.progress import TerminalProgress
    from fourlight.pipeline.outputs import plain_json
    from fourlight.pipeline.plate import Known, solve_frame
    from fourlight.pipeline.solving import solve_results
    from fourlight.report.colourwords import colour_lines
    from fourlight.report.skyplace import solution_lines

    if what.is_file():
        _refuse_colours(what, {"--camera": camera, "--filter": filter_, "--white": white})
    known, progress = Known(place, scale), TerminalProgress()
    try:
        found: dict[str, Any]
        if what.is_dir():
            found = solve_results(what, known, progress, _colours(what, camera, filter_, white))
        else:
            found = {"sky": solve_frame(what, known)}
        lines = [*solution_lines(found["sky"]), *colour_lines(found.get("colour") or {})]
        for name, said in lines:
            progress.line(name.lower(), said)
        if what.is_dir():
            progress.line("look at", f"{what / 'report.html'} and {what / 'figures' / 'sky.png'}")
    finally:
        progress.close()
    if as_json:
        colour = {"colour": found["colour"]} if "colour" in found else {}
        sys.stdout.write(plain_json({**found["sky"], **colour}) + "\n")


def _refuse_colours(frame: Path, given: dict[str, Any]) -> None:
    """Colours are calibrated on stacks: what is given for them goes with no frame."""
    found = [name for name, value in given.items() if value is not None]
    if found:
        raise InputError(
            f"{frame}: is one frame, and colours of stars are calibrated on stacks; leave out {' and '.join(found)}, "
            "or name the OUT of a finished run"
        )


def _colours(out: Path, camera: str | None, filter_: str | None, white: float | None) -> Recipe | None:
    """The recipe of a run with what is given here; None where nothing is."""
    given = {"gear.camera": camera, "gear.filter": filter_, "sky.white_b_v": white}
    changes = {name: value for name, value in given.items() if value is not None}
    if not changes:
        return None
    from fourlight.pipeline.finished import run_that_left

    recipe = run_that_left(out).recipe
    sections = {
        section: {
            name.partition(".")[2]: value for name, value in changes.items() if name.startswith(section)
        }
        for section in ("gear", "sky")
    }
    return recipe.model_copy(
        update={section: getattr(recipe, section).model_copy(update=new) for section, new in sections.items()}
    )
