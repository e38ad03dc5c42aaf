"""``fourlight recipe``: the settings, with defaults and help."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from fourlight.errors import InputError

__all__ = ["recipe"]


def recipe(
    defaults: Annotated[
        bool, typer.Option("--defaults", help="Print every setting with its default.")
    ] = False,
    check: Annotated[Path | None, typer.Option(help="Check a recipe file.")] = None,
) -> None:
    """Print all settings as TOML, or check a recipe."""
    from fourlight.cli.named_files import recipe_from
    from fourlight.recipe_toml import defaults_toml

    if check is not None:
        recipe_from(check)
        sys.stdout.write(f"{check}: a valid recipe\n")
        return
    if not defaults:
        raise InputError("say what to print: fourlight recipe --defaults, or --check FILE")
    sys.stdout.write(defaults_toml())
