"""Which lights make one stack: one camera, size, gain setting and filter."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Sequence

from fourlight.errors import InputError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.stages.groups import counted

__all__ = ["choose_lights"]

FIELDS = ("camera", "size", "binning", "gain setting", "filter")


def choose_lights(
    frames: Sequence[RawFrame], filter_name: str
) -> tuple[list[RawFrame], list[SetAside], list[str]]:
    """The lights that are integrated together: the group with the longest total exposure.

    Parameters
    ----------
    frames : sequence of RawFrame
        All frames found, of any role.
    filter_name : str
        Only lights with this filter; empty: any.

    Returns
    -------
    list of RawFrame
        In time order (then by path).
    list of SetAside
        Lights of other groups, each with what differs.
    list of str
        Sentences for the report.

    Raises
    ------
    InputError
        No lights, or fewer than two that belong together.
    """
    lights = [frame for frame in frames if frame.role is Role.LIGHT]
    if not lights:
        raise InputError(_no_lights(frames))
    aside: list[SetAside] = []
    if filter_name:
        wanted = [f for f in lights if (f.filter_name or "").casefold() == filter_name.casefold()]
        if not wanted:
            names = sorted({f.filter_name or "(none)" for f in lights})
            raise InputError(
                f"no light has filter {filter_name!r}; found {', '.join(names)}; change read.filter"
            )
        aside += [
            SetAside(
                f.path, "select", f"filter {f.filter_name or '(none)'}; read.filter asks for {filter_name}"
            )
            for f in lights
            if f not in wanted
        ]
        lights = wanted
    groups: dict[tuple[Hashable, ...], list[RawFrame]] = defaultdict(list)
    for frame in lights:
        groups[_key(frame)].append(frame)
    best = max(groups, key=lambda key: (_exposure(groups[key]), len(groups[key]), str(key)))
    for key, group in groups.items():
        if key != best:
            aside += [SetAside(f.path, "select", _difference(key, best, len(groups[best]))) for f in group]
    notes = [] if len(groups) == 1 else [_mixed(groups, best)]
    chosen = sorted(groups[best], key=_when)
    if len(chosen) < 2:
        found = counted(len(lights), Role.LIGHT) + " found"
        found += ", but only 1 of the kind with the longest exposure" if len(lights) > 1 else ""
        raise InputError(
            f"{found}; at least 2 lights of one camera, size, gain and filter are needed to integrate"
        )
    return chosen, aside, notes


def _when(frame: RawFrame) -> tuple[float, str]:
    return (frame.time.timestamp() if frame.time else float("inf"), str(frame.path))


def _key(frame: RawFrame) -> tuple[Hashable, ...]:
    name = (frame.filter_name or "").casefold()
    return (frame.camera, (frame.nx, frame.ny), frame.binning, frame.gain_setting, name)


def _exposure(frames: Sequence[RawFrame]) -> float:
    return sum(frame.exposure_s or 1.0 for frame in frames)


def _difference(key: tuple[Hashable, ...], best: tuple[Hashable, ...], count: int) -> str:
    parts = [
        f"{name} {_text(mine)} instead of {_text(theirs)}"
        for name, mine, theirs in zip(FIELDS, key, best, strict=True)
        if mine != theirs
    ]
    return f"{', '.join(parts)} of the {count} lights that are integrated; run it with its own kind"


def _text(value: Hashable) -> str:
    if isinstance(value, tuple):
        return " x ".join(str(part) for part in value)
    return str(value) if value not in (None, "") else "(not said)"


def _mixed(groups: dict[tuple[Hashable, ...], list[RawFrame]], best: tuple[Hashable, ...]) -> str:
    return (
        f"The lights are of {len(groups)} kinds (camera, size, gain or filter); the "
        f"{len(groups[best])} with the longest total exposure are integrated, the others are set aside."
    )


def _no_lights(frames: Sequence[RawFrame]) -> str:
    counts = {role: sum(frame.role is role for frame in frames) for role in Role}
    found = ", ".join(counted(n, role) for role, n in counts.items() if n)
    return f"no lights among the frames found ({found or 'none usable'}); point at the folders that hold the subs"
