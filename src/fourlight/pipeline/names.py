"""What files are called where people read of them: short, and never two by one name."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

from fourlight.errors import InputError
from fourlight.frames import RawFrame, SetAside

__all__ = ["find_light", "short_names"]


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
