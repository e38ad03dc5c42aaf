"""One exposure in several files: it counts once, from the file that holds most of it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.core.likeness import AT_ONCE, COUNT, SIDE, detail, likeness, likenesses
from fourlight.errors import FrameError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.stages.banding import bands
from fourlight.stages.blank import rows_in_words
from fourlight.stages.groups import counted
from fourlight.stages.masters import OpenSource

__all__ = ["ONCE", "Copy", "find_copies", "without_copies", "without_equal_files"]

Float32Array = npt.NDArray[np.float32]

ONCE = "each exposure counts once"
SAME = 0.9
"""Likeness from which two lights hold one exposure: sky noise is most of what one of them shows."""
SAME_SENSOR = 0.98
"""The same for other frames, in which much belongs to the sensor: in a flat of 30,000 electrons a spread of response
of 1 % is three in four of the variance, in a warm dark the spread of dark current is more."""
ROUNDING = 0.001
"""How far a likeness that is told for many at once may be off."""


Rank = tuple[int, int, str]


@dataclass(frozen=True, slots=True)
class Copy:
    """A frame whose exposure a better file holds as well."""

    frame: RawFrame
    better: RawFrame
    same_bytes: bool
    way: str = ""
    """How its pixels lie against those of the other: mirrored or turned; empty where alike."""


@dataclass(frozen=True, slots=True)
class _Seen:
    """A frame and its noise."""

    frame: RawFrame
    noise: Float32Array
    rank: Rank

    @property
    def lost(self) -> tuple[int, int, Rank]:
        """How much of it is missing; of equal ones the better named is better."""
        return sum(y1 - y0 for y0, y1 in self.frame.blank_rows), int(np.isnan(self.noise).sum()), self.rank


def _ranks(frames: Sequence[RawFrame]) -> dict[Path, Rank]:
    """Which of two files with one exposure is better named: like most others of its folder, else with a shorter name.

    A camera names its files alike but for numbers; what copies them adds words to a name.
    """
    patterns = {frame.path: (frame.path.parent, re.sub(r"\d+", "0", frame.path.name)) for frame in frames}
    alike = Counter(patterns.values())
    most: dict[Path, int] = {}
    for (folder, _), count in alike.items():
        most[folder] = max(most.get(folder, 2), count)  # one file alone is like no other
    return {
        path: (int(alike[pattern] < most[path.parent]), len(path.name), str(path))
        for path, pattern in patterns.items()
    }


def without_equal_files(
    frames: Sequence[RawFrame], hashes: Mapping[Path, str], names: Mapping[Path, str]
) -> tuple[list[RawFrame], list[SetAside]]:
    """Frames without those whose file has the same bytes as another; see `without_copies`."""
    copies = _equal_files(frames, hashes, _ranks(frames))
    aside = [SetAside(copy.frame.path, "select", _copy_of(names[copy.better.path])) for copy in copies]
    return _less(frames, copies), aside


def _equal_files(
    frames: Sequence[RawFrame], hashes: Mapping[Path, str], ranks: Mapping[Path, Rank]
) -> list[Copy]:
    best: dict[str, RawFrame] = {}
    for frame in sorted(frames, key=lambda frame: ranks[frame.path]):
        best.setdefault(hashes[frame.path], frame)
    return [
        Copy(frame, best[hashes[frame.path]], same_bytes=True)
        for frame in frames
        if best[hashes[frame.path]] is not frame
    ]


def _less(frames: Sequence[RawFrame], copies: Sequence[Copy]) -> list[RawFrame]:
    """Frames that are no copies."""
    out = {copy.frame.path for copy in copies}
    return [frame for frame in frames if frame.path not in out]


def without_copies(
    frames: Sequence[RawFrame], hashes: Mapping[Path, str], names: Mapping[Path, str], open_source: OpenSource
) -> tuple[list[RawFrame], list[SetAside], list[str]]:
    """Frames without those whose exposure another of them holds as well.

    The same exposure twice would count as independent data, and every error bar would be too small. Files with
    equal bytes are copies. Where role, start and exposure are equal, the noise decides: it never repeats, not even
    where a clock stands still, and it survives another format, a changed header, scaling, mirroring and damage.
    Of files with one exposure the one that holds most of it is kept; of equal ones the one that is named like the
    others of its folder but for numbers, else the one with the shorter name.

    Parameters
    ----------
    frames : sequence of RawFrame
    hashes : mapping of Path to str
        Hash of the content of each file.
    names : mapping of Path to str
        What each file is called in sentences.
    open_source : callable
        Opens the samples of a frame.

    Returns
    -------
    list of RawFrame
        In the order given.
    list of SetAside
    list of str
        What is odd about those that are kept, as sentences.
    """
    copies, unlike = find_copies(frames, hashes, open_source)
    aside = [SetAside(copy.frame.path, "select", _reason(copy, names, open_source)) for copy in copies]
    return _less(frames, copies), aside, [_of_one_moment(some, names) for some in unlike]


def find_copies(
    frames: Sequence[RawFrame], hashes: Mapping[Path, str], open_source: OpenSource
) -> tuple[list[Copy], list[list[RawFrame]]]:
    """Copies among frames, and those that state one start and exposure but have noise of their own.

    Small parts of the frames are read; see `without_copies`, which says why each is a copy.
    """
    ranks = _ranks(frames)
    copies = _equal_files(frames, hashes, ranks)
    moments: dict[tuple[object, ...], list[RawFrame]] = {}
    for frame in _less(frames, copies):
        if frame.time is not None:
            key = (frame.role, frame.time, frame.exposure_s, frame.ny, frame.nx)
            moments.setdefault(key, []).append(frame)
    unlike = []
    for together in moments.values():
        if len(together) > 1:
            found, kept = _parted(together, ranks, open_source)
            copies += found
            # clocks that tell seconds do not part short exposures
            unlike += [kept] if len(kept) > 1 and (kept[0].exposure_s or 0.0) >= 1.0 else []
    return copies, unlike


def _of_one_moment(frames: Sequence[RawFrame], names: Mapping[Path, str]) -> str:
    said = f"{counted(len(frames), frames[0].role)}, {names[frames[0].path]} among them, state one start and exposure"
    return f"{said}, but each has noise of its own: all of them count."


def _parted(
    frames: Sequence[RawFrame], ranks: Mapping[Path, Rank], open_source: OpenSource
) -> tuple[list[Copy], list[RawFrame]]:
    """Of frames with one start and exposure, those whose exposure a better one holds as well; and the others."""
    kept: list[_Seen] = []
    copies: list[Copy] = []
    same = SAME if frames[0].role is Role.LIGHT else SAME_SENSOR
    every = sorted(_looked_at(frames, ranks, open_source), key=lambda seen: seen.lost)
    for start in range(0, len(every), AT_ONCE):
        some, before = every[start : start + AT_ONCE], len(kept)
        pool = [*kept, *some]
        near = likenesses([seen.noise for seen in some], [seen.noise for seen in pool]) > same - ROUNDING
        better = set(range(before))
        for k, seen in enumerate(some):
            own = (_copy(seen, pool[j], same) for j in np.flatnonzero(near[k]).tolist() if j in better)
            if (found := next(filter(None, own), None)) is not None:
                copies.append(found)
            else:
                better.add(before + k)
                kept.append(seen)
    return copies, [seen.frame for seen in kept]


def _copy(seen: _Seen, better: _Seen, same: float) -> Copy | None:
    """A frame as a copy of another one, if it is."""
    value, way = likeness(better.noise, seen.noise)
    return Copy(seen.frame, better.frame, same_bytes=False, way=way) if value > same else None


def _looked_at(
    frames: Sequence[RawFrame], ranks: Mapping[Path, Rank], open_source: OpenSource
) -> list[_Seen]:
    """Frames with their noise; one that cannot be read is left to whoever needs all of its samples."""
    found = []
    for frame in frames:
        try:
            source = open_source(frame)
            patches = [
                [source.read(y, y + SIDE, x, x + SIDE) for x in _places(frame.nx)] for y in _places(frame.ny)
            ]
        except FrameError:
            continue
        found.append(_Seen(frame, detail(np.asarray(patches)), ranks[frame.path]))
    return found


def _places(length: int) -> list[int]:
    """Starts of patches, symmetric about the middle."""
    room = max(length - SIDE, 0)
    half = [room * part // (2 * COUNT) for part in range(COUNT // 2)]
    return [*half, *(room - start for start in reversed(half))]


def _reason(copy: Copy, names: Mapping[Path, str], open_source: OpenSource) -> str:
    """Why a copy is not used; files with other bytes are compared whole where nothing else tells."""
    frame, better, name = copy.frame, copy.better, names[copy.better.path]
    if copy.same_bytes:
        return _copy_of(name)
    if frame.blank_rows != better.blank_rows:
        what = f"its {rows_in_words(frame.blank_rows)} are missing"
    elif copy.way:
        what = f"{copy.way} by other software"
    elif _equal(frame, better, open_source):
        return _copy_of(name)
    else:
        what = "changed or damaged"
    return f"same start, exposure and noise as {name} but other pixels ({what}); {ONCE}"


def _copy_of(name: str) -> str:
    return f"a copy of {name}; {ONCE}"


def _equal(one: RawFrame, other: RawFrame, open_source: OpenSource) -> bool:
    """Whether all samples differ by the same constant, undefined ones being so in both."""
    left, right = open_source(one), open_source(other)
    low, high = np.inf, -np.inf
    for y0, y1 in bands(one.ny, one.nx, 4):
        apart = left.read(y0, y1, 0, one.nx)
        with_other = right.read(y0, y1, 0, one.nx)
        if not np.array_equal(np.isnan(apart), np.isnan(with_other)):
            return False
        apart -= with_other
        low = min(low, float(np.fmin.reduce(apart, axis=None)))
        high = max(high, float(np.fmax.reduce(apart, axis=None)))
    return low >= high
