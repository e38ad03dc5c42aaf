"""``fourlight simulate``: raw frames of an invented sky, with the truth beside them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fourlight.cli.progress import TerminalProgress
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
    chosen = packaged(scene) if scene in packaged_names() else loads(_text(Path(scene)), scene)
    if seed is not None:
        chosen = chosen.model_copy(update={"seed": seed})
    progress = TerminalProgress()

    def report(what: str, done: int, total: int) -> None:
        if done == 0:
            progress.begin(what, total)
        else:
            progress.step()

    try:
        render(chosen, out, report)
    finally:
        progress.close()
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
