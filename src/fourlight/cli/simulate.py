"""``fourlight simulate``: raw frames of an invented sky, with the truth beside them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fourlight.cli.plain import whole_number
from fourlight.simulate.scene_names import packaged_names

__all__ = ["simulate"]

BUILT_IN = ", ".join(packaged_names())


def simulate(
    scene: Annotated[
        str,
        typer.Argument(
            metavar="SCENE", help=f"Scene file (TOML), or the name of one that comes along: {BUILT_IN}."
        ),
    ],
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            help="Folder for the frames: new or empty, or one with frames of this scene, which are "
            "used again.",
        ),
    ],
    seed: Annotated[
        int | None,
        typer.Option(
            "--seed", parser=whole_number, metavar="NUMBER", help="Seed instead of that of the scene."
        ),
    ] = None,
) -> None:
    """Make raw frames of an invented sky with known truth beside them."""
    from fourlight.cli.named_files import scene_from
    from fourlight.cli.progress import TerminalProgress
    from fourlight.frames import Role
    from fourlight.simulate.almanac import strange_moons
    from fourlight.simulate.render import simulate as render
    from fourlight.simulate.scene import packaged
    from fourlight.stages.groups import counted

    chosen = packaged(scene) if scene in packaged_names() else scene_from(Path(scene), BUILT_IN)
    if seed is not None:
        chosen = chosen.model_copy(update={"seed": seed})
    progress = TerminalProgress()
    for sentence in strange_moons(chosen):
        progress.line("to know", sentence)

    def report(what: str, done: int, total: int) -> None:
        if done == 0:
            progress.begin(what, total)
        else:
            progress.step()

    try:
        made = render(chosen, out, report)
    finally:
        progress.close()
    if not made:
        typer.echo(f"{out} holds all frames of this scene, seed and version already; they stay as they are")
        return
    lights = sum(night.count for night in chosen.nights)
    typer.echo(f"{counted(lights, Role.LIGHT)} of {chosen.object.name} in {out}, truth in {out / 'truth'}")
