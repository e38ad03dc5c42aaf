"""TOML text as data, and what is wrong with text that is none: which line, what stands there, what is needed."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from fourlight.errors import RecipeError

__all__ = ["parsed", "value_of"]

NEEDED = "a line is [section], or name = value such as pixfrac = 0.8; text stands in quotes"
OPEN = "a quote is not closed"
NAMELESS = "no name, or one with other letters than a to z, digits, - and _, which stands in quotes"
TWICE = "its name has a value already"
BACKSLASH = r"a \ in double quotes begins an escape; write \\, or use single quotes"
FOUND = (
    (r"(Illegal|Found invalid) character '\\n'|Unterminated string|Expected ('\"+'|\"'+\")", OPEN),
    (r"Illegal character|Found invalid character", "a character that cannot be seen stands in it"),
    (r"Expected '=' after a key", "no '=' after the name"),
    (r"Expected '\]+' at the end of a(n array|n? ?table)", "']' is missing"),
    (r"Unclosed array", "']' is missing"),
    (r"Unclosed inline table", "'}' is missing"),
    (r"Invalid value|Invalid date", "no value that can be read"),
    (r"Cannot overwrite a value|Duplicate inline table key|Cannot mutate", TWICE),
    (r"Invalid initial character for a key|Invalid statement", NAMELESS),
    (r"Invalid hex value|Unescaped '\\|Escaped character", BACKSLASH),
)
"""How words of the parser begin (tomllib of Python 3.11 to 3.13), and what is said instead."""
UNKNOWN = "it cannot be read"
"""What is said instead of all others."""
MOST_DOTS = 100
"""Parts of one name."""
DOTTED = re.compile(
    rf"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){{{MOST_DOTS}}}""", re.ASCII
)
SHOWN = 60
"""Letters of a line that are repeated."""


class _TooManyDotsError(ValueError):
    """Names in names without end."""


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
    try:
        _check_dots(text)
        return tomllib.loads(f"{text}\n")  # whatever is wrong with the last line, it has a number then
    except tomllib.TOMLDecodeError as error:
        fault = _fault(str(error), text)
    except _TooManyDotsError:
        fault = f"not valid here (a name has more than {MOST_DOTS} parts)"
    except ValueError:  # of Python itself, which makes no whole number of more than some 4300 digits
        fault = "not valid TOML (a number has thousands of digits)"
    except RecursionError:
        fault = "not valid TOML (lists in lists without end)"
    raise RecipeError("", None, f"{fault}; {NEEDED}", source) from None


def value_of(text: str) -> Any:
    """The value that TOML text stands for; what is none is text itself.

    >>> value_of("0.8"), value_of("GBRG")
    (0.8, 'GBRG')
    >>> [value_of(text) == text for text in ("[" * 5000, "{" + "a." * 20000 + "a = 1}")]
    [True, True]
    """
    try:
        _check_dots(text)
        return tomllib.loads(f"value = {text}")["value"]
    except (ValueError, RecursionError):  # no TOML, or a number or lists that Python does not read
        return text


def _check_dots(text: str) -> None:
    """Refuse names of more parts than anybody writes: the parser takes a time that grows with their square."""
    if DOTTED.search(text):
        raise _TooManyDotsError


def _fault(said: str, text: str) -> str:
    """Line, what stands there and what is wrong with it, of the parser's words."""
    what, _, place = said.rpartition(" (at ")
    found = re.match(r"line (\d+), column \d+", place)
    if not found:
        return f"not valid TOML ({_plain(what, '')} before its end)"
    number = int(found[1])
    line = text.replace("\r\n", "\n").split("\n")[number - 1]  # the parser's lines: no other marks part them
    shown = f", {line.strip()[:SHOWN]!r}," if line.strip() else ""
    return f"line {number}{shown} is not valid TOML ({_plain(what, line)})"


def _plain(what: str, line: str) -> str:
    """What is wrong with a line, in plain words."""
    if "\r" in line:
        return "it holds a carriage return, which ends no line in TOML; save the file with other line ends"
    if what.startswith("Expected newline"):
        after = "']'" if line.lstrip().startswith("[") else "the value; decimals are written with a point"
        return f"something stands after {after}"
    if what.startswith("Expected '=' after a key") and "=" in line:
        return NAMELESS
    if what.startswith("Expected ']") and "]" in line:
        return NAMELESS
    if twice := re.match(r"Cannot (?:declare|redefine namespace) \((.*?),?\)", what):
        name = ".".join(re.findall(r"'([^']*)'", twice[1]))
        return f"section {name} stands there already"
    return next((words for begins, words in FOUND if re.match(begins, what)), UNKNOWN)
