"""The files of OUT, made from the finished layers: all of them written first, then put in their places together."""

from __future__ import annotations

import os
import shutil
from contextlib import suppress
from pathlib import Path
from typing import Any

from fourlight.engine import Progress
from fourlight.frames import StarList
from fourlight.io.export import save_picture
from fourlight.io.room import writing
from fourlight.pipeline import outputs
from fourlight.pipeline.folder import OutputFolder
from fourlight.pipeline.layers import StackLayers
from fourlight.recipe import Recipe
from fourlight.report import write_report
from fourlight.stages.finish import finish

__all__ = ["publish", "write_all"]

COLOURS = ("R", "G", "B")
RECORD = "provenance.json"
"""The file that says a set of results is complete: first to go, last to come."""


def write_all(
    folder: OutputFolder, layers: StackLayers, summary: dict[str, Any], provenance: dict[str, Any],
    stars: StarList, recipe: Recipe, progress: Progress,
) -> None:  # fmt: skip
    """Write every result of a run; OUT holds the results of one run at any time, the old ones or the new.

    ``summary`` gains the notes of the picture before it is written.
    """
    place = folder.new
    with writing(place):
        place.mkdir()
    outputs.write_stack(place / "stack.fits", layers, summary)
    progress.step()
    outputs.write_halves(place / "halves.fits", layers, summary)
    progress.step()
    halves = tuple({c: layers.read(c, f"value_{half}") for c in COLOURS} for half in ("a", "b"))
    picture = finish(
        {c: layers.read(c, "value") for c in COLOURS},
        {c: layers.read(c, "variance") for c in COLOURS},
        (halves[0], halves[1]),
        stars,
        recipe.finish,
    )
    del halves
    save_picture(picture.rgb, place / "picture", recipe.finish.jpeg_quality)
    progress.step()
    summary["picture"] = {"window": list(picture.window), "notes": list(picture.notes)}
    outputs.write_json(place / "summary.json", summary)
    outputs.write_csv(place / "frames.csv", summary)
    outputs.write_json(place / RECORD, provenance)
    progress.step()
    planes = {name: layers.read(name, "value") for name in ("R", "G1", "G2", "B")}
    write_report(folder.root, summary, picture.rgb, planes, provenance, place)
    publish(place, folder.root, folder.old)
    progress.step()


def publish(new: Path, root: Path, old: Path) -> None:
    """Move all files of ``new`` to ``root``; whatever goes wrong, the files that were there come back.

    Parameters
    ----------
    new : Path
        Folder of finished files, `RECORD` among them; it is gone afterwards.
    root : Path
        Their place.
    old : Path
        Folder for the files that they replace, until all is done; on the disk of the others.

    Raises
    ------
    OutputError
        A file cannot be moved, as where another program holds it open.
    """
    names = sorted((entry.name for entry in new.iterdir()), key=lambda name: (name == RECORD, name))
    with writing(root):
        old.mkdir()
        try:
            for name in reversed(names):
                if (root / name).exists():
                    os.replace(root / name, old / name)
            for name in names:
                os.replace(new / name, root / name)
        except BaseException:
            _put_back(names, new, root, old)
            raise
    for place in (new, old):
        shutil.rmtree(place, ignore_errors=True)


def _put_back(names: list[str], new: Path, root: Path, old: Path) -> None:
    for name in names:
        with suppress(OSError):
            if (old / name).exists():
                os.replace(old / name, root / name)
            elif not (new / name).exists():
                (root / name).unlink()
