"""What can go wrong, and who can act on it.

==============================================  ==================  ============================
what happened                                   raise               what the program does
==============================================  ==================  ============================
one file cannot be used as a frame              ``FrameError``      set aside by name, run goes on
a setting is unknown, out of bounds, wrong      ``RecipeError``     one line, exit 2
what the user pointed at cannot make a run      ``InputError``      one line, exit 2
the output folder cannot be used                ``OutputError``     one line, exit 2; 1 in mid-run
a stage cannot go on with what it measured      ``StageError``      one line, exit 1
the user stopped the run                        ``CancelledError``    one line, exit 1, rerun continues
==============================================  ==================  ============================

A message says what was found, what was needed and what to do, in that order. Partial trouble of one
frame is a flag (`fourlight.frames.FrameFlag`), never an exception, and NaN never means failure.
"""

from __future__ import annotations

import errno
import re
from typing import Any

__all__ = [
    "CancelledError",
    "FourlightError",
    "FrameError",
    "InputError",
    "OutputError",
    "RecipeError",
    "StageError",
    "caused_by",
    "one_line",
    "reason",
]

SHOWN = 60
"""Letters of a wrong value that are repeated."""
LONGEST = 1200
"""Letters of a line that tells what went wrong."""
NO_ROOM = re.compile(
    r"can't start new thread|failed to map segment|[Cc]annot allocate memory|[Uu]nable to allocate"
)
"""Words of the system and of libraries where memory is at its end."""


class FourlightError(Exception):
    """Base class of everything Fourlight raises on purpose; its text is fit for a user to read."""

    exit_code = 1

    def __reduce__(self) -> tuple[Any, ...]:
        return (_rebuild, (type(self), self.args, self.__dict__))


def _rebuild(cls: type[FourlightError], args: tuple[Any, ...], state: dict[str, Any]) -> FourlightError:
    error = cls.__new__(cls)
    error.args = args
    error.__dict__.update(state)
    return error


class FrameError(FourlightError, ValueError):
    """One file that cannot be used; the run continues without it.

    Parameters
    ----------
    path : str
        The file, as the user named it.
    reason : str
        What was found and what was needed.
    """

    exit_code = 2

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(f"{path}: {reason}")
        self.path = str(path)
        self.reason = one_line(reason)


class RecipeError(FourlightError, ValueError):
    """A setting that cannot be used.

    Parameters
    ----------
    field : str
        Dotted name, such as ``integrate.pixfrac``.
    value : object
        What was given; None where that says nothing.
    allowed : str
        What would have been accepted.
    source : str
        The file, or what else held the setting; empty where the user has it before them.
    """

    exit_code = 2

    def __init__(self, field: str, value: object, allowed: str, source: str = "recipe") -> None:
        shown = repr(value) if len(repr(value)) <= SHOWN else f"{repr(value)[:SHOWN]}..."
        found = [field if value is None else f"{field} = {shown}"] if field else []
        super().__init__(": ".join(filter(None, [source, *found, allowed])))
        self.field = field
        self.value = value
        self.allowed = allowed


class InputError(FourlightError, ValueError):
    """What the user pointed at cannot make a run (no lights, nothing readable).

    Parameters
    ----------
    message : str
        What was found, what was needed, what to do.
    brief : str
        The same where the reasons for which frames were set aside have been told; empty: ``message``.
    """

    exit_code = 2

    def __init__(self, message: str, brief: str = "") -> None:
        super().__init__(message)
        self.brief = brief or message


class OutputError(FourlightError, OSError):
    """The output folder cannot be used (inside the raw folder, read-only, disk full)."""

    exit_code = 2


class StageError(FourlightError, RuntimeError):
    """A stage that cannot go on.

    Parameters
    ----------
    stage : str
        Name of the stage, such as ``register``.
    frame : str or None
        File name of the frame at fault, if it is one frame.
    measured, needed : str
        What was measured and what was needed; the message joins them.
    """

    exit_code = 1

    def __init__(self, stage: str, frame: str | None, measured: str, needed: str) -> None:
        where = f"{stage}: {frame}" if frame else stage
        super().__init__(f"{where}: {measured}; {needed}")
        self.stage = stage
        self.frame = frame
        self.measured = measured
        self.needed = needed


class CancelledError(FourlightError):
    """The user stopped the run; what is finished stays and the next run continues from it."""

    exit_code = 1


def caused_by(error: BaseException | None, *kinds: type[BaseException]) -> bool:
    """Whether an error, or one that lies behind it, is of a kind: compiled code wraps a Ctrl-C that comes meanwhile.

    >>> caused_by(ValueError("wrong"), KeyboardInterrupt)
    False
    """
    while error is not None:
        if isinstance(error, kinds):
            return True
        error = error.__cause__ or error.__context__
    return False


def one_line(text: str) -> str:
    """Text from anywhere as one line that a terminal only shows: no control characters, and of long ones both ends.

    >>> one_line("two\\nlines, \\x1b[31mred")
    'two lines, ?[31mred'
    """
    shown = "".join(letter if letter.isprintable() else "?" for letter in " ".join(text.split()))
    return shown if len(shown) <= LONGEST else f"{shown[: LONGEST // 2]} … {shown[-LONGEST // 2 :]}"


def reason(error: BaseException) -> str:
    """What went wrong, in one line for a user.

    A system that has no memory left says so in several ways: threads cannot start, libraries cannot be mapped.

    >>> reason(MemoryError())
    'not enough memory; close other programs or lower run.memory_gb'
    >>> reason(KeyError("x"))
    "a fault of the program (KeyError: 'x'); please report it with --debug"
    """
    if isinstance(error, FourlightError):
        return one_line(str(error))
    text = one_line(f"{type(error).__name__}: {error}")
    if (
        isinstance(error, MemoryError)
        or getattr(error, "errno", None) == errno.ENOMEM
        or NO_ROOM.search(text)
    ):
        return "not enough memory; close other programs or lower run.memory_gb"
    return f"a fault of the program ({text}); please report it with --debug"
