"""What files are called where people read of them: short, and never two by one name."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from fourlight.errors import InputError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.stages.copies import ONCE

__all__ = [
    "NAMED",
    "briefly",
    "by_reason",
    "chief_reason",
    "find_light",
    "is_called",
    "odd_ones",
    "quoted",
    "short_names",
    "to_know",
]

NAMED = 6
"""Files named in a line on the terminal."""
PARTING = ",;:"
"""Marks that part names from each other and from what is said of them."""


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


def quoted(name: str) -> str:
    """A name as it stands in a sentence: in quotes where it has blanks, or marks that part names there.

    Examples
    --------
    >>> print(quoted("light_1.fits"), quoted("copy of 1.fits"), quoted("the comet's night/1.fits"))
    light_1.fits 'copy of 1.fits' "the comet's night/1.fits"
    >>> print(quoted("a,b.fits"), quoted("at 21:30.fits"))
    'a,b.fits' 'at 21:30.fits'
    """
    if not any(letter.isspace() or letter in PARTING for letter in name):
        return name
    if "'" not in name:
        return f"'{name}'"
    escaped = name.replace('"', '\\"')
    return f'"{escaped}"'


def by_reason(items: Iterable[tuple[str, str]], most: int) -> list[str]:
    """One line for each kind of reason, with the names of at most so many files.

    Reasons are of one kind where they differ in numbers alone, or in the file of which one is a copy.

    Parameters
    ----------
    items : iterable of (str, str)
        Name of each file, and what is said of it. Names are put in quotes where they need them (`quoted`).
    most : int
        Names in a line; the others are counted.

    Examples
    --------
    >>> by_reason([("a", "no stars"), ("b", "3 stars, 6 needed"), ("c", "no stars"), ("d", "4 stars, 6 needed")], 5)
    ['a, c: no stars', 'b: 3 stars, 6 needed; d alike']
    >>> by_reason([("a", "no stars"), ("b", "no stars"), ("c", "no stars")], 1)
    ['a and 2 more: no stars']
    """
    return [_line(part, most) for part in _kinds(items)]


def chief_reason(items: Iterable[tuple[str, str]], most: int) -> str:
    """The most frequent kind of reason with the names of at most so many files, and how many have others.

    Examples
    --------
    >>> chief_reason([("a", "no stars"), ("b", "cut short"), ("c", "no stars")], 5)
    '2 of them: a, c: no stars; 1 for another reason'
    >>> chief_reason([("a", "no stars"), ("c", "no stars")], 1)
    'a and 1 more: no stars'
    """
    kinds = _kinds(items)
    first = max(kinds, key=len)
    others = sum(len(part) for part in kinds) - len(first)
    if not others:
        return _line(first, most)
    rest = "1 for another reason" if others == 1 else f"{others} for other reasons"
    return f"{len(first)} of them: {_line(first, most)}; {rest}"


def _kinds(items: Iterable[tuple[str, str]]) -> list[list[tuple[str, str]]]:
    kinds: dict[str, list[tuple[str, str]]] = {}
    for name, reason in items:
        kinds.setdefault(_kind(reason), []).append((name, reason))
    return list(kinds.values())


def odd_ones(frames: Iterable[RawFrame], names: Mapping[Path, str]) -> list[tuple[str, str]]:
    """Name of each frame about which something is odd, and what that is; lights first."""
    frames = sorted(frames, key=lambda frame: (frame.role is not Role.LIGHT, str(frame.path)))
    return [(names[frame.path], said) for frame in frames for said in frame.problems]


def to_know(remarks: Iterable[str], odd: Iterable[tuple[str, str]]) -> list[str]:
    """What a user must know of the frames of a run, every sentence once and in full.

    Parameters
    ----------
    remarks : iterable of str
        Sentences on several frames together.
    odd : iterable of (str, str)
        Name of each frame about which something is odd, and what that is.

    Examples
    --------
    >>> to_know(["two kinds."], [("a", "row 7 is missing"), ("b", "row 8 is missing"), ("c", "row 7 is missing")])
    ['two kinds', 'a, c: row 7 is missing', 'b: row 8 is missing']
    """
    together = [sentence.strip().rstrip(".") for sentence in remarks]
    return list(dict.fromkeys([*together, *_in_full(odd)]))


def briefly(known: Iterable[str], odd: Sequence[tuple[str, str]]) -> list[str]:
    """The sentences of `to_know` for the terminal: those on single frames with few names, one for each kind.

    Examples
    --------
    >>> odd = [("a", "row 7 is missing"), ("b", "row 8 is missing")]
    >>> briefly(to_know(["two kinds."], odd), odd)
    ['two kinds', 'a: row 7 is missing; b alike']
    """
    single = set(_in_full(odd))
    return [*(sentence for sentence in known if sentence not in single), *by_reason(odd, NAMED)]


def _in_full(odd: Iterable[tuple[str, str]]) -> list[str]:
    """One line for each reason, with all names."""
    names: dict[str, list[str]] = {}
    for name, reason in odd:
        names.setdefault(reason, []).append(quoted(name))
    return [f"{', '.join(some)}: {reason}" for reason, some in names.items()]


def _kind(reason: str) -> str:
    if reason.endswith(ONCE):  # which file the other one is makes no kind
        reason = re.sub(r"(?<=^a copy of ).*(?=;)|(?<=noise as ).*(?= but other)", "", reason)
    return re.sub(r"\d+(\.\d+)?", "#", reason)


def _line(items: Sequence[tuple[str, str]], most: int) -> str:
    names = [quoted(name) for name, _ in items[:most]]
    more = f" and {len(items) - most} more" if len(items) > most else ""
    reason = items[0][1]
    if len({said for _, said in items}) == 1:
        return f"{', '.join(names)}{more}: {reason}"
    others = ", ".join(names[1:])
    return f"{names[0]}: {reason}; {others or f'{len(items) - 1} more'}{more if others else ''} alike"


def find_light(
    name: str, lights: Sequence[RawFrame], aside: Sequence[SetAside], called: Mapping[Path, str]
) -> Path:
    """The light that ``registration.reference`` names by its path or an end of it.

    Parameters
    ----------
    name : str
    lights : sequence of RawFrame
    aside : sequence of SetAside
        Frames that are not used.
    called : mapping of Path to str
        What files are called in sentences.

    Raises
    ------
    InputError
        No light, or more than one, is called so; or it was set aside.
    """
    setting = f"registration.reference = {name!r}"
    found = [frame.path for frame in lights if is_called(frame.path, name)]
    if len(found) == 1:
        return found[0]
    if found:
        some = ", ".join(called[path] for path in found[:3])
        raise InputError(f"{setting}: {len(found)} lights are called so; name one of them, such as {some}")
    for item in aside:
        if is_called(item.path, name):
            raise InputError(f"{setting}: it is set aside ({item.reason}); name another light")
    raise InputError(f"{setting}: no light is called so; name one of the lights or leave it empty")


def is_called(path: Path, name: str) -> bool:
    """Whether a name is the path, or an end of it."""
    parts = Path(name).parts
    return bool(parts) and path.parts[-len(parts) :] == parts
