"""TOML text as data, and what is wrong with text that is none: which line, what stands there, what is needed."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from fourlight.errors import RecipeError

__all__ = ["parsed"]

NEEDED = "a line is [section], or name = value such as pixfrac = 0.8; text stands in quotes"
FOUND = (
    (r"Expected '=' after a key.*", "no '=' after the name"),
    (r"Expected '\]' at the end of a table.*", "']' is missing"),
    (
        r"Expected newline or end of document.*",
        "something follows the value; decimals are written with a point",
    ),
    (r"Invalid value", "no value that can be read"),
    (r"Cannot overwrite a value", "its name has a value already"),
    (r"Cannot declare \('(.*)',\) twice", r"section \1 stands there already"),
)
"""Words of the parser (tomllib of Python 3.11 to 3.13), and what is said instead; others are said as they are."""
BYTE_ORDER_MARK = "\ufeff"
"""Some editors begin a file with it; it is no part of the text."""
SHOWN = 60
"""Letters of a line that are repeated."""


def parsed(text: str, source: str) -> dict[str, Any]:
    """Data of TOML text.

    Parameters
    ----------
    text : str
    source : str
        Name of the file, for messages.

    Raises
    ------
    RecipeError
        Not TOML.

    Examples
    --------
    >>> parsed("[integrate]\\npixfrac = 0.8", "recipe.toml")
    {'integrate': {'pixfrac': 0.8}}
    """
    text = text.removeprefix(BYTE_ORDER_MARK)
    try:
        return tomllib.loads(f"{text}\n")  # whatever is wrong with the last line, it has a number then
    except tomllib.TOMLDecodeError as error:
        raise RecipeError("", None, _fault(str(error), text), source) from None
    except RecursionError:
        raise RecipeError(
            "", None, f"not valid TOML (lists in lists without end); {NEEDED}", source
        ) from None


def _fault(said: str, text: str) -> str:
    what, _, place = said.rpartition(" (at ")
    for pattern, words in FOUND:
        what = re.sub(pattern, words, what)
    found = re.match(r"line (\d+), column \d+", place)
    if not found:
        return f"not valid TOML ({what[:1].lower()}{what[1:]} before its end); {NEEDED}"
    number = int(found[1])
    line = text.splitlines()[number - 1].strip() if number <= len(text.splitlines()) else ""
    shown = f", {line[:SHOWN]!r}," if line else ""
    return f"line {number}{shown} is not valid TOML ({what[:1].lower()}{what[1:]}); {NEEDED}"
