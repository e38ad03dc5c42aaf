"""Which frames a camera can be measured from: flats, bias frames and darks that belong together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import PLANES, plane_map
from fourlight.errors import InputError
from fourlight.frames import RawFrame, Role
from fourlight.stages.groups import ROLE_NAMES, counted

__all__ = [
    "MOST_DRIFT",
    "Pair",
    "alike",
    "bias_frames",
    "dark_frames",
    "flat_frames",
    "flat_pairs",
    "in_sequence",
    "pairs_in_time",
    "place_names",
]

FloatArray = npt.NDArray[np.float64]
Pair = tuple[RawFrame, RawFrame]
Note = Callable[[str], None]

LONGEST_BIAS_S = 2.0
"""Exposure up to which a frame without light counts as a bias frame (as in a run)."""
MOST_DRIFT = 0.1
"""Part by which two flats of one exposure may differ in level to be a pair. Both are scaled to one level, which is
exact as long as the light keeps its shape; light that changes faster does not (twilight)."""
DIM_ADU = 20.0
"""Levels below count as this when they are compared: they are mostly the noise of the level without light."""
SAME_EXPOSURE = 0.02
FACTS = (
    ("camera", "camera"),
    ("binning", "binning"),
    ("gain", "gain_setting"),
    ("offset", "offset_setting"),
    ("mosaic", "mosaic"),
)


@dataclass(frozen=True, slots=True)
class _Kind:
    role: Role
    others: tuple[Role, ...]
    """What a header may say besides."""
    wanted: str


_FLAT = _Kind(Role.FLAT, (), "evenly lit frames")
_BIAS = _Kind(Role.BIAS, (Role.DARK, Role.DARKFLAT), "frames without light of the shortest exposure")
_DARK = _Kind(Role.DARK, (Role.DARKFLAT,), "frames without light of a longer exposure")


def place_names(mosaic: str | None) -> tuple[str, str, str, str]:
    """Names of the four places of the cell, row by row: planes where the mosaic is known, else row and column.

    >>> place_names("GBRG"), place_names(None)
    (('G2', 'B', 'R', 'G1'), ('r0c0', 'r0c1', 'r1c0', 'r1c1'))
    """
    if mosaic is None:
        return ("r0c0", "r0c1", "r1c0", "r1c1")
    a, b, c, d = (PLANES[plane] for plane in plane_map(mosaic).ravel())
    return a, b, c, d


def flat_frames(frames: Sequence[RawFrame], folder: str, note: Note) -> list[RawFrame]:
    """Flats of one camera and setting.

    Raises
    ------
    InputError
        There are none, or they are of several kinds.
    """
    kept = _of_kind(frames, _FLAT, folder, note)
    _one_kind(kept, _FLAT, folder)
    return kept


def bias_frames(frames: Sequence[RawFrame], folder: str, note: Note) -> list[RawFrame]:
    """Bias frames, two at least, of one camera and setting; see `flat_frames`."""
    kept = _of_kind(frames, _BIAS, folder, note)
    long = [frame for frame in kept if (frame.exposure_s or 0.0) > LONGEST_BIAS_S]
    if len(long) == len(kept):
        raise InputError(
            f"{folder}: no bias frame found, all {len(kept)} frames are exposed for {long[0].exposure_s:g} s or so; "
            f"name a folder with {_BIAS.wanted} (up to {LONGEST_BIAS_S:g} s)"
        )
    if long:
        note(f"{len(long)} of {len(kept)} bias frames left out: exposed for more than {LONGEST_BIAS_S:g} s.")
    kept = [frame for frame in kept if frame not in long]
    if len(kept) < 2:
        raise InputError(f"{folder}: 1 bias frame found; 2 are needed for a pair, 10 and more are better")
    _one_kind(kept, _BIAS, folder)
    return kept


def dark_frames(frames: Sequence[RawFrame], like: RawFrame, folder: str, note: Note) -> list[RawFrame]:
    """Darks that were taken with the settings of a flat; the others are told.

    Raises
    ------
    InputError
        None of them was.
    """
    kept = _of_kind(frames, _DARK, folder, note)
    short = [f for f in kept if f.exposure_s is None or f.exposure_s <= 0]
    unlike = {id(f): why for f in kept if (why := _differences(like, f))}
    usable = [f for f in kept if id(f) not in unlike and f not in short]
    why = next(iter(unlike.values()), "their exposure is not stated, or zero")
    if not usable:
        raise InputError(
            f"{folder}: no dark of the same kind as the flats: {why}; take darks with those settings"
        )
    if len(usable) < len(kept):
        note(f"{len(kept) - len(usable)} of {counted(len(kept), Role.DARK)} left out: {why}.")
    return usable


def alike(flat: RawFrame, bias: RawFrame) -> None:
    """Refuse flats and bias frames that were not taken alike.

    Raises
    ------
    InputError
        Size, camera, binning, gain, offset or mosaic differ.
    """
    why = _differences(flat, bias)
    if why:
        raise InputError(
            f"flats and bias frames do not belong together: {why} (bias frames against flats); "
            "take both with one camera and the same settings"
        )


def _of_kind(frames: Sequence[RawFrame], kind: _Kind, folder: str, note: Note) -> list[RawFrame]:
    """Frames whose header does not say that they are something else."""
    kept = [f for f in frames if f.role_source != "header" or f.role is kind.role or f.role in kind.others]
    many = ROLE_NAMES[kind.role][1]
    lost = [f for f in frames if f not in kept]
    said = ", ".join(sorted({ROLE_NAMES[f.role][1] for f in lost}))
    if not kept:
        found = f"by their headers all {len(lost)} frames are {said}" if lost else "no frame can be used"
        raise InputError(f"{folder}: no {many} found, {found}; name a folder with {kind.wanted}")
    if lost:
        note(
            f"{len(lost)} of {len(frames)} frames among the {many} left out: by their headers they are {said}."
        )
    return sorted(kept, key=in_sequence)


def in_sequence(frame: RawFrame) -> tuple[str, str]:
    """Order in which frames were taken, as far as it is known."""
    return (str(frame.time or ""), str(frame.path))


def _one_kind(frames: Sequence[RawFrame], kind: _Kind, folder: str) -> None:
    for frame in frames[1:]:
        why = _differences(frames[0], frame)
        if why:
            raise InputError(
                f"{folder}: {ROLE_NAMES[kind.role][1]} of several kinds: {why} ({frame.path.name} against "
                f"{frames[0].path.name}); measure each kind by itself, in a folder of its own"
            )


def _differences(one: RawFrame, other: RawFrame) -> str:
    """What sets two frames apart; what either does not say is taken to agree."""
    found = []
    if (one.ny, one.nx) != (other.ny, other.nx):
        found.append(f"size {other.nx} x {other.ny} instead of {one.nx} x {one.ny}")
    for name, field in FACTS:
        a, b = getattr(one, field), getattr(other, field)
        if None not in (a, b) and str(a).strip().casefold() != str(b).strip().casefold():
            shown = [f"{value:g}" if isinstance(value, float) else str(value) for value in (b, a)]
            found.append(f"{name} {shown[0]} instead of {shown[1]}")
    return ", ".join(found)


def pairs_in_time(frames: Sequence[RawFrame]) -> list[Pair]:
    """Neighbours in time, each frame once."""
    ordered = sorted(frames, key=in_sequence)
    return list(zip(ordered[::2], ordered[1::2], strict=False))


def flat_pairs(frames: Sequence[RawFrame], levels: FloatArray, folder: str, note: Note) -> list[list[Pair]]:
    """Pairs of neighbours in time of one filter, exposure and level, those of one filter and exposure in a list.

    Parameters
    ----------
    frames : sequence of RawFrame
        Flats.
    levels : (n, 4) float64
        Level of each above no light, place by place, ADU.
    folder : str
        For messages.
    note : callable
        Told what was left out.

    Raises
    ------
    InputError
        There is no pair: too few flats of an exposure, or the light drifts.
    """
    known = {id(frame): level for frame, level in zip(frames, levels, strict=True)}
    found: list[list[Pair]] = []
    drifts: list[float] = []
    alone = 0
    for group in _exposures(frames):
        pairs: list[Pair] = []
        k = 0
        while k < len(group):
            drift = _drift(known, group[k : k + 2])
            drifts += [drift] if drift is not None else []
            if drift is not None and drift <= MOST_DRIFT:
                pairs.append((group[k], group[k + 1]))
                k += 1
            else:
                alone += 1
            k += 1
        found += [pairs] if pairs else []
    if not found and drifts:
        raise InputError(
            f"{folder}: flats of drifting light: from one flat to the next of the same exposure the level changes by "
            f"{100 * min(drifts):.0f} % or more; {100 * MOST_DRIFT:.0f} % at most are needed, use a steady lamp"
        )
    if not found:
        raise InputError(
            f"{folder}: {counted(len(frames), Role.FLAT)} found, no two of one exposure and filter; a pair of the same "
            "light is needed, take two or more of each exposure"
        )
    if alone:
        note(
            f"{counted(alone, Role.FLAT)} without a partner of the same exposure and level left out of pairs."
        )
    worst = max(drift for drift in drifts if drift <= MOST_DRIFT)
    if worst > 0.005:
        note(
            f"The lamp drifts by up to {100 * worst:.1f} % between flats of a pair; they are scaled to one level first."
        )
    return found


def _exposures(frames: Sequence[RawFrame]) -> list[list[RawFrame]]:
    """Flats of one filter and exposure in the order of time."""
    groups: list[list[RawFrame]] = []
    ordered = sorted(frames, key=lambda f: (f.filter_name or "", f.exposure_s or 0.0))
    for _, same in groupby(ordered, key=lambda f: f.filter_name or ""):
        start: float | None = None
        for frame in same:
            exposure = frame.exposure_s or 0.0
            if start is None or exposure > start * (1 + SAME_EXPOSURE):
                groups.append([])
                start = exposure
            groups[-1].append(frame)
    return [sorted(group, key=in_sequence) for group in groups]


def _drift(known: dict[int, FloatArray], two: Sequence[RawFrame]) -> float | None:
    """Largest relative difference of level between two flats; None where there is only one."""
    if len(two) < 2:
        return None
    a, b = known[id(two[0])], known[id(two[1])]
    return float(np.max(np.abs(a - b) / np.maximum(np.maximum(a, b), DIM_ADU)))
