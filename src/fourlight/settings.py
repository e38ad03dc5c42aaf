"""Settings written in TOML: the base of every section, and what is wrong with a file in plain words."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Sequence
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails

from fourlight.errors import RecipeError

__all__ = ["Section", "from_toml", "validated"]

SAID = 4
"""Faults told in one message."""


class Section(BaseModel):
    """Base of every section: unknown keys are refused, values cannot be changed after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True, allow_inf_nan=False)


Model = TypeVar("Model", bound=Section)


def from_toml(model: type[Model], text: str, known: Sequence[str], source: str) -> Model:
    """Settings from TOML text.

    Parameters
    ----------
    model : type of Section
        What the text must fit.
    text : str
        TOML.
    known : sequence of str
        Dotted names of all settings and sections, for hints.
    source : str
        Name of the file, for messages.

    Raises
    ------
    RecipeError
        Not TOML, an unknown key (the nearest known key is named) or values that cannot be used.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RecipeError("", None, f"not valid TOML: {error}", source) from None
    return validated(model, data, known, source)


def validated(model: type[Model], data: dict[str, Any], known: Sequence[str], source: str) -> Model:
    """Settings from a mapping; see `from_toml`."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        faults = error.errors()
        # a section with a fault inside also fails as a whole
        faults = [
            f for f in faults if not any(o["loc"][: len(f["loc"])] == f["loc"] != o["loc"] for o in faults)
        ]
        told = [_fault(fault, known) for fault in faults[:SAID]]
        more = len(faults) - len(told)
        also = [f"{name} = {value!r}: {words}" if value is not None else f"{name}: {words}"
                for name, value, words in told[1:]]  # fmt: skip
        also += [f"{more} more"] if more > 0 else []
        name, value, words = told[0]
        raise RecipeError(name, value, "; and ".join([words, *also]), source) from None


def _fault(fault: ErrorDetails, known: Sequence[str]) -> tuple[str, Any, str]:
    """Name of a setting, what was given (None where that is a whole section), and what is wrong with it."""
    name = _name(fault["loc"])
    given = fault["input"]
    value = None if isinstance(given, (dict, list)) else given
    if fault["type"] != "extra_forbidden":
        return (
            (name, None, f"no value is given; {_words(fault)}")
            if given == ""
            else (name, value, _words(fault))
        )
    plain = ".".join(str(part) for part in fault["loc"] if isinstance(part, str))
    near = difflib.get_close_matches(plain, known, n=1, cutoff=0.3)
    return name, value, f"no such setting; did you mean {near[0]}?" if near else "no such setting"


def _name(parts: Sequence[int | str]) -> str:
    """What a setting is called; entries of a list are counted from one.

    >>> _name(("read", "mosaic")), _name(("nights", 0, "count")), _name(("nights", 0, "trailed", 2))
    ('read.mosaic', 'count of night 1', 'trailed 3 of night 1')
    """
    if len(parts) >= 2 and isinstance(parts[1], int):
        entry = f"{str(parts[0]).removesuffix('s')} {parts[1] + 1}"
        return f"{_name(parts[2:])} of {entry}" if parts[2:] else entry
    return ".".join(str(part) for part in parts)


def _words(fault: ErrorDetails) -> str:
    """What would have been accepted."""
    kind, limits = fault["type"], fault.get("ctx", {})
    bounds = {
        "greater_than": ("gt", "must be more than"),
        "greater_than_equal": ("ge", "must be at least"),
        "less_than": ("lt", "must be less than"),
        "less_than_equal": ("le", "must be at most"),
    }
    if kind in bounds:
        key, words = bounds[kind]
        return f"{words} {limits[key]:g}"
    if kind == "literal_error":
        return f"must be {str(limits['expected']).replace(chr(39), '')}"
    if kind in ("too_short", "too_long"):
        least = "at least" if kind == "too_short" else "at most"
        return f"must hold {least} {limits['min_length' if kind == 'too_short' else 'max_length']}"
    for start, words in (
        ("int", "must be a whole number"),
        ("float", "must be a number"),
        ("finite", "must be a finite number"),
        ("bool", "must be true or false"),
        ("string", "must be text"),
        ("model", "must be a section, such as [name]"),
        ("tuple", "must be a list"),
        ("list", "must be a list"),
    ):
        if kind.startswith(start):
            return words
    return str(fault["msg"]).removeprefix("Value error, ")
