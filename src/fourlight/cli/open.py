"""``fourlight open``: results in the browser."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["open"]


def open(  # noqa: A001  # the name of the command
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder of the results of a run.")],
    port: Annotated[
        int, typer.Option(metavar="NUMBER", min=0, max=65535, help="Port of the page; 0: any that is free.")
    ] = 0,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the page in the browser of this machine.")
    ] = True,
) -> None:
    """Look at results in the browser; only this machine can see the page. Ctrl-C ends it."""
    import webbrowser

    from fourlight.pipeline.project import Project
    from fourlight.web.serving import serve

    def ready(link: str) -> None:
        typer.echo(f"open {link} (it works once; Ctrl-C ends the page)", err=True)
        if browser:
            webbrowser.open(link)

    serve(Project(out), port, ready)
