"""The picture of a stack, with what it looked like after every step, as files."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight import __version__
from fourlight.core.cfa import COLOURS
from fourlight.core.colour import DISPLAY_P3
from fourlight.engine import give_back, nothing
from fourlight.frames import RawFrame, StarList
from fourlight.io.export import jpeg_bytes, own_tiff, save_picture, save_tiff
from fourlight.io.fits_writing import write_planes
from fourlight.io.icc import display_profile
from fourlight.io.room import whole, writing
from fourlight.pipeline.finished import Stack
from fourlight.pipeline.linear_sky import framing_cards, linear_cards
from fourlight.recipe import Recipe
from fourlight.recipe_finish import Finish
from fourlight.report.figure_honesty import honesty_figure
from fourlight.report.figure_sheet import PICTURE_PX, sheet_figure
from fourlight.report.pictures import reduced
from fourlight.report.step_views import HONESTY, StepViews
from fourlight.stages.balance import White
from fourlight.stages.canvas import Canvas
from fourlight.stages.finish import finish
from fourlight.stages.framing import Framing, framed
from fourlight.stages.grid import Grid
from fourlight.stages.picture_parts import Picture, Shelf, Source, always_made
from fourlight.stages.way import misfit

__all__ = ["EXTRA", "LINEAR", "SHEET", "check_crop", "pictured", "write_picture", "write_sheet"]

Float32 = npt.NDArray[np.float32]

WIDE, WEB, LINEAR = "picture-wide.tif", "picture-web.jpg", "picture.fits"
SHEET, SHEET_QUALITY = "sheet.jpg", 92
EXTRA = (WIDE, WEB, LINEAR)
"""Files of a picture that not every one has."""
WEB_QUALITY = 88


def check_crop(recipe: Recipe, lights: Sequence[RawFrame]) -> None:
    """Refuse a crop that leaves nothing of the largest light on the grid of the stack.

    Raises
    ------
    InputError
    """
    zoom = Grid.named(recipe.integrate.grid).zoom
    high, wide = (int(zoom * max(getattr(light, side) for light in lights)) for side in ("ny", "nx"))
    framed((0, high, 0, wide), recipe.finish.frame.crop, None, north_up=False)


def pictured(
    layers: Stack, stars: StarList, summary: Mapping[str, Any], settings: Finish, canvas: Canvas,
    shelf: Shelf = always_made, told: Callable[[], None] = nothing,
) -> tuple[Picture, StepViews]:  # fmt: skip
    """The picture of a stack of which ``summary.json`` tells, and its looks after every step; see `finish`."""
    halves = tuple({c: layers.read(c, f"value_{half}") for c in COLOURS} for half in ("a", "b"))
    source = Source(
        {c: layers.read(c, "value") for c in COLOURS},
        {c: layers.read(c, "variance") for c in COLOURS},
        (halves[0], halves[1]),
        stars,
        misfit(summary["integration"]["method"]),
        White.told(summary.get("colour") or {}),
    )
    views = StepViews(canvas)
    return finish(source, settings, canvas, views, shelf, told), views


def write_picture(
    place: Path, picture: Picture, views: StepViews, settings: Finish, threads: int, summary: Mapping[str, Any]
) -> dict[str, Any]:  # fmt: skip
    """Write the picture and those of its steps; what ``summary.json`` tells under ``picture``.

    Parameters
    ----------
    place : Path
        Folder that is there.
    picture : Picture
    views : StepViews
    settings : Finish
    threads : int
    summary : mapping
        What ``summary.json`` tells of the stack: unit of its light, and the plate solution where it has one.
    """
    sky = summary.get("sky")
    north_up = settings.frame.orient == "north-up"
    framing, said = framed(picture.window, settings.frame.crop, sky, north_up=north_up)
    rgb = framing.part(picture.window, picture.rgb)
    save_picture(rgb, place / "picture", settings.files.jpeg_quality, threads)
    if picture.wide is not None:
        wide = framing.part(picture.window, picture.wide)
        save_tiff(wide, place / WIDE, display_profile("Display P3", DISPLAY_P3))
    with writing(place):
        if max(rgb.shape) > settings.files.web_px:
            (place / WEB).write_bytes(jpeg_bytes(reduced(rgb, settings.files.web_px), WEB_QUALITY))
        give_back()
        steps = views.write(place, picture, settings.shown.saturation, framing)
    give_back()  # else what files and views took stays beside what the sheet takes, 40 MB
    _write_honesty(place, picture, rgb, framing)
    if settings.files.linear:
        cards = linear_cards((sky or {}).get("cards") or {}, framing)
        _write_linear(place / LINEAR, picture, framing, summary["unit"], cards)
    steps[-1]["notes"] += said
    return {
        "window": list(framing.window),
        "quarters": framing.quarters,
        "mirrored": framing.mirrored,
        "look": settings.look,
        "settings": settings.model_dump(mode="json"),
        "weights": dict(zip(COLOURS, picture.weights.tolist(), strict=True)),
        "steps": steps,
        "honesty": picture.facts,
    }


def _write_honesty(place: Path, picture: Picture, rgb: Float32, framing: Framing) -> None:
    """Write the picture beside what was smoothed, with what it rests on in words."""
    taken = picture.taken
    if taken is not None:
        step = max(1, max(rgb.shape) // (PICTURE_PX // 2))  # colours of all pixels would take much memory
        taken = np.array(framing.part(picture.window, taken)[::step, ::step])
    page, _ = honesty_figure(reduced(rgb, PICTURE_PX // 2), taken, picture.facts, picture.notes)
    with whole(place / HONESTY) as part:
        part.write_bytes(jpeg_bytes(np.asarray(page), SHEET_QUALITY))


def _write_linear(
    path: Path, picture: Picture, framing: Framing, unit: str, sky: Mapping[str, tuple[Any, str]]
) -> None:
    """Write the light that is shown, before the curve; where stars are shown fainter, also that without any.

    NaN where hardly any frame covers it.

    ``sky`` are cards of the plate solution of what is shown; empty where there is none.
    """
    primary = {
        "CREATOR": (f"fourlight {__version__}", "program that made this file"),
        "CURVE0": (picture.curve.softening, "light at which the curve bends"),
    }
    about = {
        "BUNIT": (unit, "balanced light above the sky"),
        **framing_cards(framing),
        **sky,
    }

    covered = framing.part(picture.window, picture.covered)

    def known(light: Float32) -> Float32:
        part = framing.part(picture.window, light)
        return part if covered.all() else np.where(covered, part, np.float32(np.nan))

    def extensions() -> Iterator[tuple[str, Float32, dict[str, tuple[Any, str]]]]:
        for number, colour in enumerate(COLOURS):
            yield colour, known(picture.light[number]), about
            if picture.starless is not None:
                yield f"{colour}_STARLESS", known(picture.starless[number]), about

    write_planes(path, primary, extensions())


def write_sheet(place: Path, made: Path, summary: Mapping[str, Any]) -> None:
    """Write the picture of a folder with its scale and facts, as ``sheet.jpg``."""
    page, _ = sheet_figure(reduced(own_tiff(made / "picture.tif"), PICTURE_PX), summary)
    with whole(place / SHEET) as part:
        part.write_bytes(jpeg_bytes(np.asarray(page), SHEET_QUALITY))
