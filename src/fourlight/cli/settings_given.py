"""Settings as commands take them that work by a recipe."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["RecipeFile", "Settings"]

RecipeFile = Annotated[
    Path | None, typer.Option(help="Recipe (TOML), as 'fourlight recipe --defaults' prints it.")
]
Settings = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="SECTION.FIELD=VALUE",
        help="One setting, in place of the recipe's; repeat it for more.",
    ),
]
