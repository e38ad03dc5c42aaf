"""Cameras and filters by what a user calls them: one that comes along, or a file with curves."""

from __future__ import annotations

from collections.abc import Container
from pathlib import Path

from fourlight.errors import InputError
from fourlight.io.texts import text_of
from fourlight.sensor.curve_text import camera_from_text, filter_from_text, mono_from_text, names_colours
from fourlight.sensor.filters import FILTERS, Filter, named_filter
from fourlight.sensor.response import Response
from fourlight.sensor.sensors import names, sensor

__all__ = ["camera_named", "filter_named", "mono_named"]


def camera_named(name: str, error_percent: float | None = None) -> Response:
    """The camera of a name or of a CSV file.

    Raises
    ------
    InputError
        There is neither, or the file cannot be read as curves; or an error is given for what has its own.
    """
    if error_percent is not None and not 0 <= error_percent <= 100:
        raise InputError(f"--error {error_percent:g}: per cent from 0 to 100 are needed")
    if not _is_file(name, names()):
        if error_percent is not None:
            raise InputError(
                f"--error {error_percent:g} goes with a CSV file; {name} has what is known of it"
            )
        return sensor(name)
    text = text_of(Path(name), "curves of a camera", f"name a CSV file, or one of {', '.join(names())}")
    return camera_from_text(text, name, None if error_percent is None else error_percent / 100)


def mono_named(name: str) -> Response | None:
    """The sensor without dyes of a CSV file with its efficiency; None where it is no file, or one of three colours.

    Raises
    ------
    InputError
        The file cannot be read as a curve.
    """
    if not _is_file(name, names()):
        return None
    text = text_of(Path(name), "curves of a camera", f"name a CSV file, or one of {', '.join(names())}")
    return None if names_colours(text, name) else mono_from_text(text, name)


def filter_named(name: str) -> Filter:
    """The filter of a name or of a CSV file.

    Raises
    ------
    InputError
        There is neither, or the file cannot be read as a curve.
    """
    if not _is_file(name, FILTERS):
        return named_filter(name)
    text = text_of(Path(name), "the curve of a filter", f"name a CSV file, or one of {', '.join(FILTERS)}")
    return filter_from_text(text, name)


def _is_file(name: str, known: Container[str]) -> bool:
    """Whether a name that is not known is meant to be a file: it is there, or it has the look of one."""
    return name not in known and any((name and Path(name).exists(), *(sign in name for sign in "./\\")))
