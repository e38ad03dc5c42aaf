"""Recipes and scenes that a user names as files, each told from the other."""

from __future__ import annotations

import codecs
from pathlib import Path
from typing import TYPE_CHECKING

from fourlight import recipe as recipes
from fourlight.errors import InputError, RecipeError
from fourlight.report.again import command_line
from fourlight.settings import Section
from fourlight.toml_text import parsed

if TYPE_CHECKING:
    from fourlight.simulate.scene import Scene

__all__ = ["recipe_from", "scene_from", "text_of"]


def recipe_from(path: Path) -> recipes.Recipe:
    """The recipe in a file.

    Raises
    ------
    InputError
        The file cannot be read, or is a scene.
    RecipeError
        It is no recipe.
    """
    text = text_of(path, "a recipe", "make one with 'fourlight recipe --defaults'")
    try:
        return recipes.loads(text, str(path))
    except RecipeError:
        from fourlight.simulate.scene import Scene

        if _is_of(Scene, text):
            raise _mistaken(path, "a scene, not a recipe", "simulate", path, "--out", "FOLDER") from None
        raise


def scene_from(path: Path, built_in: str) -> Scene:
    """The scene in a file; ``built_in`` are names of scenes that come with the program, for messages.

    Raises
    ------
    InputError
        The file cannot be read, or is a recipe.
    RecipeError
        It is no scene.
    """
    from fourlight.simulate.scene import loads

    missing = "no such file, and no scene of this name comes along"
    text = text_of(path, "a scene", f"name a scene file (TOML), or one that comes along: {built_in}", missing)
    try:
        return loads(text, str(path))
    except RecipeError:
        if _is_of(recipes.Recipe, text):
            raise _mistaken(
                path, "a recipe, not a scene", "run", "NIGHTS", "--out", "FOLDER", "--recipe", path
            ) from None
        raise


def _mistaken(path: Path, what: str, *command: object) -> InputError:
    """That a file is of the other kind, and the command that takes it."""
    words = command_line(["fourlight", *(str(word) for word in command)])
    return InputError(f"{path}: this is {what}; the command for it is: {words}")


def _is_of(model: type[Section], text: str) -> bool:
    """Whether all names at the top of TOML text are those of a model; recipes and scenes share none."""
    try:
        names = parsed(text, "").keys()
    except RecipeError:
        return False
    return bool(names) and names <= model.model_fields.keys()


def text_of(path: Path, kind: str, instead: str, missing: str = "") -> str:
    """Text of a file; ``missing`` is said where there is none of its name, ``instead`` is what to do."""
    try:
        content = path.read_bytes()
        return content.decode(_encoding(content)).replace("\r\n", "\n").replace("\r", "\n")
    except OSError as error:
        gone = missing if isinstance(error, FileNotFoundError) else ""
        found = gone or f"cannot be read as {kind} ({error.strerror})"
    except UnicodeDecodeError:
        found = f"cannot be read as {kind} (not a text file in UTF-8 or UTF-16)"
        instead = f"save it as UTF-8, or {instead}"
    raise InputError(f"{path}: {found}; {instead}")


def _encoding(content: bytes) -> str:
    """How text is encoded, by the mark that some programs put first; the mark is no part of the text."""
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    return "utf-8-sig"
