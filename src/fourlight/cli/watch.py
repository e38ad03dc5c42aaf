"""``fourlight watch``: a night that goes on."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated

import typer

from fourlight.cli.plain import number, whole_number
from fourlight.cli.settings_given import RecipeFile, Settings
from fourlight.errors import InputError

if TYPE_CHECKING:
    from fourlight.recipe import Recipe

__all__ = ["watch"]

HALF = 'integrate.grid="0.5x"'
"""Setting of the running stack unless the user has another: four samples of a mosaic make a pixel."""


def watch(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder in which subs arrive; it is only read.")
    ],
    out: Annotated[
        Path | None, typer.Option(help="Folder for results; that of an earlier watch of FOLDER goes on.")
    ] = None,
    calibration: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="PATH", help="Files or folders of darks, flats and bias frames; repeat it for more."
        ),
    ] = None,
    recipe: RecipeFile = None,
    settings: Settings = None,
    subs: Annotated[
        int | None,
        typer.Option(parser=whole_number, metavar="N", help="End the night after so many subs in all."),
    ] = None,
    hours: Annotated[
        float | None, typer.Option(parser=number, metavar="H", help="End the night so many hours from now.")
    ] = None,
    idle: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="MIN",
            help="End it when no sub came for so many minutes, from the first one on.",
        ),
    ] = None,
) -> None:
    """Stack a night while it goes on, and tell what the subs show; Ctrl-C ends it and leaves the picture."""
    from fourlight import recipe as recipes
    from fourlight.cli.named_files import recipe_from
    from fourlight.cli.progress import TerminalProgress
    from fourlight.pipeline.watching import Ends
    from fourlight.pipeline.watching import watch as go_on

    if out is None:
        raise InputError("no output folder named; give one with --out OUT")
    for name, value in (("--subs", subs), ("--hours", hours), ("--idle", idle)):
        if value is not None and value <= 0:
            raise InputError(f"{name} {value:g}: a number above 0 is needed, or leave it out")
    chosen = recipes.with_settings(
        _usual(recipe_from(recipe) if recipe else recipes.Recipe()), settings or []
    )
    progress = TerminalProgress()
    with _end_asked_for() as asked:
        facts = go_on(
            folder, out, chosen, calibration=calibration or [], ends=Ends(subs or 0, hours or 0.0, idle or 0.0),
            telling=progress, ended=asked.is_set, wait=asked.wait,
        )  # fmt: skip
    progress.close()
    progress.line(
        "ended", f"{facts['used']} subs in the stack, {len(facts['subs']) - facts['used']} set aside"
    )
    picture = f"{out / 'picture.jpg'} and " if not facts["no_picture"] else ""
    progress.line("look at", f"{picture}{out / 'watch.html'}")
    progress.line("the best", f"picture of these subs comes from: fourlight run {folder} --out OUT2")


def _usual(recipe: Recipe) -> Recipe:
    """A recipe with the grid of a running stack where it names none."""
    from fourlight.recipe import with_settings

    return recipe if "grid" in recipe.integrate.model_fields_set else with_settings(recipe, [HALF])


@contextmanager
def _end_asked_for() -> Iterator[threading.Event]:
    """Set when Ctrl-C or the system asks for the end; a second time ends the program at once."""
    asked = threading.Event()

    def ask(_number: int, _frame: FrameType | None) -> None:
        if asked.is_set():
            raise KeyboardInterrupt
        asked.set()

    before = {number: signal.signal(number, ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
