"""Help without the words of programmers: no type beside a switch or an argument, plain words where one is wrong."""

from __future__ import annotations

from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

__all__ = ["PlainCommand", "PlainGroup", "whole_number"]


def whole_number(text: str) -> int:
    """A whole number of at least 0 from the command line."""
    if not text.isdecimal():
        raise typer.BadParameter(f"{text!r} is found, a whole number of at least 0 is needed, such as 7")
    return int(text)


class PlainCommand(TyperCommand):
    """A command whose switches and arguments stand without a type."""

    def get_params(self, ctx: Any) -> list[Any]:
        """Options and arguments."""
        return _without_types(super().get_params(ctx))


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
