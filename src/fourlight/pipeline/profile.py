"""The camera profile of a run: found wherever the run is started from, and the same one when it is made again."""

from __future__ import annotations

import os
from pathlib import Path

from fourlight.errors import InputError
from fourlight.provenance import Provenance, file_hash
from fourlight.recipe import Recipe
from fourlight.stages.profile_defects import DEFECTS, map_beside
from fourlight.stages.profile_use import named_profile

__all__ = ["profile_hash", "with_profile_path"]


def with_profile_path(recipe: Recipe) -> Recipe:
    """The recipe with the whole path of the profile that it names, read once to see that it is one.

    Raises
    ------
    InputError, RecipeError
        It cannot be read, or is none.
    """
    if not recipe.read.camera_profile:
        return recipe
    read = recipe.read.model_copy(update={"camera_profile": os.path.abspath(recipe.read.camera_profile)})
    named_profile(read)
    return recipe.model_copy(update={"read": read})


def profile_hash(recipe: Recipe, past: Provenance | None) -> dict[Path, str]:
    """SHA-256 of the profile and of the map of defects beside it, by their paths; empty where none is named.

    Raises
    ------
    InputError
        Lights are added to a stack that was made with another content of these files.
    """
    if not recipe.read.camera_profile:
        return {}
    path, defects = Path(recipe.read.camera_profile), map_beside(recipe.read)
    found = {file: file_hash(file) for file in (path, defects) if file is not None}
    before = {} if past is None else {file: past.others.get(file) for file in (path, path.with_name(DEFECTS))}
    for file, digest in before.items():
        if path in (past.others if past else ()) and digest != found.get(file):
            raise InputError(
                f"{file}: has come, gone or changed since the stack was made; put back what was there, or run all "
                "lights anew"
            )
    return found
