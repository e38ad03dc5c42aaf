"""What files are called where people read of them: short, and never two by one name."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from fourlight.errors import InputError
from fourlight.frames import RawFrame, SetAside
from fourlight.stages.copies import ONCE

__all__ = ["NAMED", "by_reason", "find_light", "short_names", "to_know"]

NAMED = 6
"""Files named in a line on the terminal."""


def short_names(paths: Iterable[Path]) -> dict[Path, str]:
    """The shortest end of each path that no other of them has.

    Examples
    --------
    >>> nights = [Path("a/night1/1.fits"), Path("a/night2/1.fits"), Path("a/night2/2.fits")]
    >>> list(short_names(nights).values())
    ['night1/1.fits', 'night2/1.fits', '2.fits']
    """
    every = list(dict.fromkeys(paths))
    found: dict[Path, str] = {}
    depth, waiting = 1, every
    while waiting:
        count = Counter(_end(path, depth) for path in every)
        for path in waiting:
            if count[_end(path, depth)] == 1 or depth >= len(path.parts):
                found[path] = _end(path, depth)
        waiting = [path for path in waiting if path not in found]
        depth += 1
    return {path: found[path] for path in every}


def _end(path: Path, depth: int) -> str:
    return path.as_posix() if depth >= len(path.parts) else "/".join(path.parts[-depth:])


def by_reason(items: Iterable[tuple[str, str]], most: int) -> list[str]:
    """One line for each kind of reason, with the names of at most so many files.

    Reasons are of one kind where they differ in numbers alone, or in the file of which one is a copy.

    Parameters
    ----------
    items : iterable of (str, str)
        Name of each file, and what is said of it.
    most : int
        Names in a line; the others are counted.

    Examples
    --------
    >>> by_reason([("a", "no stars"), ("b", "3 stars, 6 needed"), ("c", "no stars"), ("d", "4 stars, 6 needed")], 5)
    ['a, c: no stars', 'b: 3 stars, 6 needed; d alike']
    >>> by_reason([("a", "no stars"), ("b", "no stars"), ("c", "no stars")], 1)
    ['a and 2 more: no stars']
    """
    kinds: dict[str, list[tuple[str, str]]] = {}
    for name, reason in items:
        kinds.setdefault(_kind(reason), []).append((name, reason))
    return [_line(part, most) for part in kinds.values()]


def to_know(frames: Iterable[RawFrame], names: Mapping[Path, str]) -> list[str]:
    """What headers lack or leave open, every sentence once with the names of its frames."""
    return by_reason(((names[frame.path], said) for frame in frames for said in frame.problems), NAMED)


def _kind(reason: str) -> str:
    if reason.endswith(ONCE):  # which file the other one is makes no kind
        reason = re.sub(r"(?<=^a copy of ).*(?=;)|(?<=noise as ).*(?= but other)", "", reason)
    return re.sub(r"\d+(\.\d+)?", "#", reason)


def _line(items: Sequence[tuple[str, str]], most: int) -> str:
    names = [name for name, _ in items[:most]]
    more = f" and {len(items) - most} more" if len(items) > most else ""
    reason = items[0][1]
    if len({said for _, said in items}) == 1:
        return f"{', '.join(names)}{more}: {reason}"
    others = ", ".join(names[1:])
    return f"{names[0]}: {reason}; {others or f'{len(items) - 1} more'}{more if others else ''} alike"


def find_light(name: str, lights: Sequence[RawFrame], aside: Sequence[SetAside]) -> Path:
    """The light that ``registration.reference`` names by its path or an end of it.

    Raises
    ------
    InputError
        No light, or more than one, is called so; or it was set aside.
    """
    setting = f"registration.reference = {name!r}"
    called = [frame.path for frame in lights if _is_called(frame.path, name)]
    if len(called) == 1:
        return called[0]
    if called:
        names = short_names(frame.path for frame in lights)
        some = ", ".join(names[path] for path in called[:3])
        raise InputError(f"{setting}: {len(called)} lights are called so; name one of them, such as {some}")
    for item in aside:
        if _is_called(item.path, name):
            raise InputError(f"{setting}: it is set aside ({item.reason}); name another light")
    raise InputError(f"{setting}: no light is called so; name one of the lights or leave it empty")


def _is_called(path: Path, name: str) -> bool:
    parts = Path(name).parts
    return bool(parts) and path.parts[-len(parts) :] == parts
