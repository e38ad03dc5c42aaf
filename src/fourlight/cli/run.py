"""``fourlight run``: the main job."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fourlight.cli.settings_given import RecipeFile, Settings
from fourlight.errors import InputError

if TYPE_CHECKING:
    from fourlight.frames import SetAside
    from fourlight.provenance import Provenance
    from fourlight.recipe import Recipe

__all__ = ["execute", "run"]

UNITS_GB = {
    "kb": 1e-6,
    "kib": 1024 / 1e9,
    "mb": 1e-3,
    "gb": 1.0,
    "tb": 1e3,
    "mib": 2**20 / 1e9,
    "gib": 2**30 / 1e9,
    "tib": 2**40 / 1e9,
}
"""Decimal prefixes of the SI and binary ones (IEC 80000-13), in GB."""


def run(
    nights: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="NIGHTS", help="Files or folders of raw frames; folders are searched through."
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for results; everything below it is Fourlight's own.")
    ] = None,
    recipe: RecipeFile = None,
    settings: Settings = None,
    memory: Annotated[
        str | None,
        typer.Option(
            metavar="AMOUNT",
            help="Most memory of the run, such as 4GB or 500MB; sets run.memory_gb.",
        ),
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Dask scheduler whose workers do the work, as tcp://host:8786; sets run.cluster.",
        ),
    ] = None,
    again: Annotated[
        Path | None,
        typer.Option(
            help="provenance.json of a finished run, to make the same pixels again; without --out in its own folder."
        ),
    ] = None,
    add: Annotated[
        bool,
        typer.Option(
            "--add", help="Add the lights in NIGHTS to the stack in OUT, with its recipe and frames."
        ),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the summary as JSON at the end.")] = False,
) -> None:
    """Turn nights of raw frames into a stack with error bars, a picture and a report."""
    from fourlight import recipe as recipes
    from fourlight.cli.named_files import recipe_from

    own = [f"run.memory_gb={_gigabytes(memory)}"] if memory is not None else []
    own += [f"run.cluster={json.dumps(cluster)}"] if cluster is not None else []
    if again is not None:
        from fourlight.pipeline.again import recorded

        if nights or recipe or settings or add:
            raise InputError(
                "--again takes its frames and recipe from the record; leave NIGHTS, --add, --recipe and --set out"
            )
        past = recorded(again)
        files, only = list(past.searched), set(past.inputs)
        chosen = recipes.with_settings(past.recipe, own)
        target, left_out = out or again.parent, past.not_read
    else:
        if not nights:
            raise InputError("no frames named; give files or folders, as in: fourlight run NIGHTS --out OUT")
        if out is None:
            raise InputError("no output folder named; give one with --out OUT")
        files, target, only, left_out = nights, out, None, ()
        if add:
            if recipe or settings:
                raise InputError("--add takes its recipe from the stack in OUT; leave --recipe and --set out")
            from fourlight.pipeline.adding import earlier_run

            past = earlier_run(out)
            chosen = recipes.with_settings(past.recipe, own)
        else:
            chosen = recipe_from(recipe) if recipe else recipes.Recipe()
            chosen = recipes.with_settings(chosen, [*(settings or []), *own])
    if again is not None and past.steps:
        summary = _in_steps(past, target, chosen, again)
    else:
        summary = execute(files, target, chosen, only, left_out, past if add else None)
    if as_json:
        from fourlight.pipeline.outputs import plain_json

        sys.stdout.write(plain_json(summary) + "\n")


def execute(
    files: list[Path], out: Path, recipe: Recipe, only: set[Path] | None = None,
    left_out: Sequence[SetAside] = (), past: Provenance | None = None, last: bool = True,
) -> dict[str, Any]:  # fmt: skip
    """Run with progress in the terminal, and after the ``last`` run say what was left out and where to look."""
    from fourlight.cli.progress import TerminalProgress
    from fourlight.pipeline.closing import closing_lines
    from fourlight.pipeline.run import run as run_job

    progress = TerminalProgress()
    try:
        summary = run_job(files, out, recipe, progress, only, left_out, past=past)
        if last:
            for heading, text in closing_lines(summary, out):
                progress.line(heading, text)
            progress.line("look at", f"{out / 'report.html'} and {out / 'picture.jpg'}")
    finally:
        progress.close()
    return summary


def _in_steps(past: Provenance, out: Path, recipe: Recipe, record: Path) -> dict[str, Any]:
    """Make a stack again to which lights were added: the first lights, then the others as they were added."""
    from fourlight.provenance import load

    if out.resolve() == record.parent.resolve():
        raise InputError(
            f"{record}: lights were added to this stack step by step, and so it is made again; name another folder for "
            "that with --out"
        )
    begun, earlier = 0, None
    for step in past.steps:
        execute(
            list(step.searched[begun:]), out, recipe, set(step.inputs), step.not_read, earlier, last=False
        )
        begun, earlier = len(step.searched), load(out / "provenance.json")
    return execute(list(past.searched[begun:]), out, recipe, set(past.inputs), past.not_read, earlier)


def _gigabytes(amount: str) -> float:
    """An amount of memory with its unit, in GB.

    >>> _gigabytes("4GB"), _gigabytes("500 mb"), _gigabytes("1 GiB")
    (4.0, 0.5, 1.073741824)
    """
    found = re.fullmatch(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*([KMGT]i?B)\s*", amount, re.IGNORECASE)
    if found is None:
        raise InputError(
            f"--memory {amount}: not an amount of memory; write it with its unit, as 4GB or 500MB"
        )
    return float(found[1]) * UNITS_GB[found[2].lower()]
