"""Recipes, scenes and claims that a user names as files, each told from the others."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING

from fourlight import recipe as recipes
from fourlight.errors import InputError, RecipeError
from fourlight.io.texts import text_of
from fourlight.report.again import command_line
from fourlight.toml_text import parsed

if TYPE_CHECKING:
    from fourlight.simulate.scene import Scene
    from fourlight.stages.claim_file import Claim

__all__ = ["claims_from", "recipe_from", "scene_from"]


def recipe_from(path: Path) -> recipes.Recipe:
    """The recipe in a file.

    Raises
    ------
    InputError
        The file cannot be read, or is a scene or claims.
    RecipeError
        It is no recipe.
    """
    text = text_of(path, "a recipe", "make one with 'fourlight recipe --defaults'")
    try:
        return recipes.loads(text, str(path))
    except RecipeError:
        _tell_apart(path, text, "a recipe")
        raise


def scene_from(path: Path, built_in: str) -> Scene:
    """The scene in a file; ``built_in`` are names of scenes that come with the program, for messages.

    Raises
    ------
    InputError
        The file cannot be read, or is a recipe or claims.
    RecipeError
        It is no scene.
    """
    from fourlight.simulate.scene import loads

    missing = "no such file, and no scene of this name comes along"
    text = text_of(path, "a scene", f"name a scene file (TOML), or one that comes along: {built_in}", missing)
    try:
        return loads(text, str(path))
    except RecipeError:
        _tell_apart(path, text, "a scene")
        raise


def claims_from(path: Path) -> tuple[Claim, ...]:
    """The claims in a file.

    Raises
    ------
    InputError
        The file cannot be read, or is a recipe or a scene.
    RecipeError
        It holds no claims.
    """
    from fourlight.stages.claim_file import loads

    text = text_of(path, "claims", "name a TOML file of claims")
    try:
        return loads(text, str(path))
    except RecipeError:
        _tell_apart(path, text, "claims")
        raise


def _tell_apart(path: Path, text: str, wanted: str) -> None:
    """Raise what a file is, where it is whole another kind than the one wanted; names at the top tell."""
    from fourlight.simulate.scene import Scene

    kinds: tuple[tuple[str, Collection[str], tuple[object, ...]], ...] = (
        ("a scene", Scene.model_fields, ("simulate", path, "--out", "FOLDER")),
        ("a recipe", recipes.Recipe.model_fields, ("run", "NIGHTS", "--out", "FOLDER", "--recipe", path)),
        ("claims", ("claims",), ("claims", "OUT", "--own", path)),
    )
    for kind, names, command in kinds:
        if kind != wanted and _is_of(names, text):
            raise _mistaken(path, f"{kind}, not {wanted}", *command) from None


def _mistaken(path: Path, what: str, *command: object) -> InputError:
    """That a file is of the other kind, and the command that takes it."""
    words = command_line(["fourlight", *(str(word) for word in command)])
    which, it = ("these are", "them") if what.startswith("claims") else ("this is", "it")
    return InputError(f"{path}: {which} {what}; the command for {it} is: {words}")


def _is_of(known: Collection[str], text: str) -> bool:
    """Whether all names at the top of TOML text are those of a kind of file; no two kinds share any."""
    try:
        names = parsed(text, "").keys()
    except RecipeError:
        return False
    return bool(names) and names <= set(known)
