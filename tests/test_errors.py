"""Exceptions: what they say, which builtin they are, and the way between processes."""

import pickle

import pytest

from fourlight import errors
from fourlight.errors import (
    CancelledError,
    FourlightError,
    FrameError,
    InputError,
    OutputError,
    RecipeError,
    StageError,
)

CASES = [
    (FrameError("a b.fits", "3 bytes, more needed"), ValueError, 2, "a b.fits: 3 bytes, more needed"),
    (RecipeError("run.threads", -1, "at least 0"), ValueError, 2, "recipe: run.threads = -1: at least 0"),
    (InputError("no lights"), ValueError, 2, "no lights"),
    (OutputError("OUT: full"), OSError, 2, "OUT: full"),
    (StageError("run", "a.fits", "1 light", "2 needed"), RuntimeError, 1, "run: a.fits: 1 light; 2 needed"),
    (StageError("run", None, "1 light", "2 needed"), RuntimeError, 1, "run: 1 light; 2 needed"),
    (CancelledError("stopped"), FourlightError, 1, "stopped"),
]


@pytest.mark.parametrize(("error", "builtin", "code", "text"), CASES)
def test_text_kind_and_exit_code(error, builtin, code, text):
    assert isinstance(error, FourlightError)
    assert isinstance(error, builtin)
    assert str(error) == text
    assert error.exit_code == code


@pytest.mark.parametrize("error", [case[0] for case in CASES])
@pytest.mark.parametrize("protocol", range(pickle.HIGHEST_PROTOCOL + 1))
def test_errors_pass_between_processes(error, protocol):
    back = pickle.loads(pickle.dumps(error, protocol))
    assert type(back) is type(error)
    assert str(back) == str(error)
    assert back.__dict__ == error.__dict__


def test_every_exception_is_tried_here_and_named_in_the_table():
    names = {name for name in errors.__all__ if isinstance(getattr(errors, name), type)} - {"FourlightError"}
    assert names == {type(case[0]).__name__ for case in CASES}
    assert all(f"``{name}``" in (errors.__doc__ or "") for name in names)


def test_what_lies_behind_an_error_is_found():
    """By cause, by context, and through several of them."""
    last, middle = ValueError("while that was handled"), SystemError("wrapped")
    last.__context__, middle.__cause__ = middle, KeyboardInterrupt()
    assert errors.caused_by(last, KeyboardInterrupt)
    assert errors.caused_by(last, ValueError, TypeError)
    assert not errors.caused_by(last, MemoryError, errors.CancelledError)
    assert not errors.caused_by(None, ValueError)
