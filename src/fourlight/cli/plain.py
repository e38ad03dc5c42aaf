"""Help and usage errors without the words of programmers: no type beside a switch or an argument, one plain line."""

from __future__ import annotations

import difflib
import math
import re
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

__all__ = ["PlainCommand", "PlainGroup", "UsageError", "number", "usage_line", "whole_number"]

BRACES = str.maketrans("", "", "{}")

UsageError: type[Exception] = typer.BadParameter.__bases__[0]
"""Words that are no use of the program; the command library gives it no public name in all of its versions."""
PLAIN = (
    (r"requires an argument$", "needs a value"),
    (r"^got unexpected extra arguments?(\(s\))? \((.*)\)$", r"\2: more than this command takes"),
    (r"^no such option: (\S+).*", r"no such option \1"),
    (r"^no such command '(.*?)'(\. Did you mean .*)?$", r"no such command \1"),
)
"""Words of the command library, and what is said instead."""


def usage_line(error: Exception, command: str) -> str:
    """One line for a usage error: what is wrong, and where help is; empty where help itself has been printed.

    Parameters
    ----------
    error : UsageError
    command : str
        Program and command, as help is asked for.
    """
    said = str(error.format_message()).strip().rstrip(".")  # type: ignore[attr-defined]
    text = f"{said[:1].lower()}{said[1:]}"
    for pattern, words in PLAIN:
        text = re.sub(pattern, words, text)
    near = _near(error, said)
    text += f" (did you mean {near}?)" if near else ""
    return f"{text}; see {command} --help" if text else ""


def _near(error: Exception, said: str) -> str:
    """The option that is nearest to one that there is not, or the commands that the library calls near."""
    if "Did you mean" in said and "command" in said:
        return " or ".join(re.findall(r"'([^']+)'", said.partition("Did you mean")[2]))
    options = {name.lstrip("-"): name for name in getattr(error, "possibilities", None) or ()}
    near = difflib.get_close_matches(getattr(error, "option_name", "").lstrip("-"), options, n=1)
    return options[near[0]] if near else ""


def whole_number(text: str) -> int:
    """A whole number of at least 0 from the command line."""
    if not text.isdecimal():
        raise typer.BadParameter(f"{text!r} is found, a whole number of at least 0 is needed, such as 7")
    return int(text)


def number(text: str) -> float:
    """A finite number from the command line, with a decimal point."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise typer.BadParameter(f"{text!r} is found, a number is needed, such as 2.8")
    return value


class PlainCommand(TyperCommand):
    """A command whose switches and arguments stand without a type."""

    def get_params(self, ctx: Any) -> list[Any]:
        """Options and arguments."""
        return _without_types(super().get_params(ctx))

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Words of the usage line; an argument that is needed stands without braces."""
        return [piece.translate(BRACES) for piece in super().collect_usage_pieces(ctx)]


class PlainGroup(TyperGroup):
    """The program, whose switches stand without a type."""

    def get_params(self, ctx: Any) -> list[Any]:
        """Options and arguments."""
        return _without_types(super().get_params(ctx))


def _nothing(ctx: Any) -> None:
    """No type: what an argument is stands in its help."""


def _without_types(params: list[Any]) -> list[Any]:
    for param in params:
        if getattr(param, "is_flag", False):
            param.metavar = ""
        elif param.param_type_name == "argument":
            param.display_type_rich = _nothing
    return params
