"""``fourlight simulate``: raw frames of an invented sky, with the truth beside them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from fourlight.errors import InputError
from fourlight.simulate.render import simulate as render
from fourlight.simulate.scene import loads, packaged, packaged_names

__all__ = ["simulate"]


def simulate(
    scene: Annotated[
        str, typer.Argument(help="Scene file (TOML), or the name of one that comes along: demo, dual-band.")
    ],
    out: Annotated[Path, typer.Option("--out", help="New or empty folder for the frames.")],
    seed: Annotated[
        int | None, typer.Option("--seed", min=0, help="Seed instead of that of the scene.")
    ] = None,
) -> None:
    """Make raw frames of an invented sky with known truth beside them."""
    chosen = packaged(scene) if scene in packaged_names() else loads(_text(Path(scene)))
    if seed is not None:
        chosen = chosen.model_copy(update={"seed": seed})
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task("simulate", total=None)
        render(chosen, out, lambda _, done, total: progress.update(task, completed=done, total=total))
    lights = sum(night.count for night in chosen.nights)
    typer.echo(f"{lights} lights of {chosen.object.name} in {out}, truth in {out / 'truth'}")


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}); needed is a scene file in TOML"
        ) from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: not a text file; needed is a scene file in TOML") from None
