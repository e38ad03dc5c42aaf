"""``fourlight open``: results in the browser."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fourlight.errors import InputError

if TYPE_CHECKING:
    from fourlight.pipeline.project import Project

__all__ = ["open"]


def open(  # noqa: A001  # the name of the command
    folder: Annotated[
        Path | None,
        typer.Argument(
            metavar="OUT|NIGHTS",
            help="Folder of results; or of raw frames, to run them from the page; without it, how to begin.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder for the results of NIGHTS; else one beside it, whose name ends in -results."
        ),
    ] = None,
    recipe: Annotated[Path | None, typer.Option(help="Recipe (TOML) for NIGHTS.")] = None,
    add: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="NIGHT", help="Raw frames that can be added to the stack in OUT; repeat it for more."
        ),
    ] = None,
    sites: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="TOML file with your sites, optics and cameras, for plans."),
    ] = None,
    demo: Annotated[
        Path | None,
        typer.Option(
            metavar="FOLDER",
            help="Without OUT|NIGHTS: where the page makes the demo when it is asked to; demo unless given.",
        ),
    ] = None,
    port: Annotated[
        int, typer.Option(metavar="NUMBER", min=0, max=65535, help="Port of the page; 0: any that is free.")
    ] = 0,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the page in the browser of this machine.")
    ] = True,
) -> None:
    """Look at results in the browser, or make some; only this machine can see the page. Ctrl-C ends it."""
    import webbrowser

    from fourlight.pipeline.rigs import own_file
    from fourlight.web.serving import serve

    if sites is not None:
        own_file(sites)  # what cannot be read is told now, not by the form of a plan
    if folder is None:
        project = _beginning(demo, sites, others=bool(out or recipe or add))
    elif demo is not None:
        raise InputError(f"--demo {demo}: goes without {folder}; leave one of the two out")
    else:
        project = _project(folder, out, recipe, add or [], sites)

    def ready(link: str) -> None:
        typer.echo(f"open {link} (it works once; Ctrl-C ends the page)", err=True)
        if browser:
            webbrowser.open(link)

    serve(project, port, ready)
    if job := project.jobs.at_work:
        typer.echo(f"stopping the job at work ({job}); Ctrl-C once more ends it at once", err=True)
        project.jobs.close()
        typer.echo(f"stopped ({job}): what is done is kept; start it again to continue", err=True)


def _beginning(demo: Path | None, sites: Path | None, *, others: bool) -> Project:
    """Nothing was named: how to begin, and the demo."""
    from fourlight.pipeline.demo import DEMO, RESULTS
    from fourlight.pipeline.offers import Sources
    from fourlight.pipeline.project import Project

    if others:
        raise InputError(
            "--out, --recipe and --add go with a folder; name that of the results or of the frames"
        )
    place = Path(os.path.abspath(demo or DEMO))
    return Project(place / RESULTS, Sources(demo=place, sites=sites))


def _project(
    folder: Path, out: Path | None, recipe: Path | None, added: list[Path], sites: Path | None = None
) -> Project:
    """What was named: results, or nights with the folder of results that they have or will have."""
    from fourlight.cli.named_files import recipe_from
    from fourlight.io.scan import MARKER, files_below
    from fourlight.pipeline.folder import check_apart
    from fourlight.pipeline.offers import Sources
    from fourlight.pipeline.project import Project
    from fourlight.recipe import Recipe

    more = tuple(Path(os.path.abspath(path)) for path in added)
    for path in more:
        if not path.exists():
            raise InputError(f"{path}: no such file or folder; name raw frames to be added")
    has_results = any((folder / name).exists() for name in (MARKER, "summary.json"))
    if has_results or not (folder.is_dir() and (out or files_below(folder))):
        if out or recipe:
            raise InputError(
                f"{folder}: --out and --recipe go with a folder of raw frames, and this is none; leave them out"
            )
        if not has_results:
            raise InputError(
                f"{folder}: {_what_it_is(folder)}; name the OUT of a run, or a folder of raw frames"
            )
        return Project(folder, Sources(added=more, sites=sites))
    nights = Path(os.path.abspath(folder))
    target = Path(os.path.abspath(out or nights.with_name(f"{nights.name}-results")))
    check_apart(target, [nights])
    return Project(target, Sources((nights,), more, recipe_from(recipe) if recipe else Recipe(), sites))


def _what_it_is(folder: Path) -> str:
    """Why nothing can be opened there."""
    if not folder.exists():
        return "no such folder"
    return "holds neither results nor raw frames" if folder.is_dir() else "is a file"
