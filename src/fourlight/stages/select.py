"""Which lights make one stack: those of one filter, of one kind or of several (camera, size, gain setting)."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Hashable, Mapping, Sequence
from pathlib import Path

from fourlight.errors import InputError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.stages.groups import Group, best_group, counted, grouped, same_exposure

__all__ = ["choose_lights", "in_time", "kind_of", "kind_words", "kinds", "of_several_exposures"]

Key = tuple[Hashable, ...]

FIELDS = ("camera", "size", "binning", "gain setting", "filter")
LEAST = 2
"""Lights that make a stack."""
TOLERANCE_C = 3.0


def choose_lights(
    frames: Sequence[RawFrame],
    filter_name: str,
    tolerance_c: float = TOLERANCE_C,
    spare: Collection[Path] = (),
    left_out: str = "",
    *,
    mix: bool = True,
) -> tuple[list[RawFrame], list[SetAside], list[str]]:
    """The lights that are integrated together: the kind with the longest total exposure, and others that go with it.

    Lights of other cameras, sizes or gain settings go with it where filter and binning are the same and there are two
    of their kind. Where two kinds were exposed equally long, the one that has matching darks and flats goes first.

    Parameters
    ----------
    frames : sequence of RawFrame
        All frames found, of any role.
    filter_name : str
        Only lights with this filter; empty: any.
    tolerance_c : float
        Sensor temperatures this far apart still match.
    spare : collection of Path
        Copies of other lights, which do not count where kinds are compared.
    left_out : str
        What is said of lights that cannot be used, for the message where too few are left.
    mix : bool
        Whether other kinds may go with the chosen one.

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
        raise InputError(_no_lights(frames, left_out), _no_lights(frames))
    lights, aside = _through_filter(lights, filter_name)
    groups = kinds(lights)
    counted_once = {key: [f for f in group if f.path not in spare] for key, group in groups.items()}
    best = _best(counted_once, [frame for frame in frames if frame.role is not Role.LIGHT], tolerance_c)
    joined = {
        key
        for key, group in groups.items()
        if key == best or (mix and _goes_with(key, best, counted_once[key]))
    }
    others = [
        (f, _difference(f, key, best)) for key, group in groups.items() if key not in joined for f in group
    ]
    if len(groups[best]) < LEAST:
        differences = [words for _, words in others]
        raise InputError(_too_few(lights, differences, left_out), _too_few(lights, differences))
    aside += [
        SetAside(f.path, "select", f"{words} of the lights that are integrated; {_advice(f, best, mix=mix)}")
        for f, words in others
    ]
    chosen = sorted((f for key in joined for f in groups[key]), key=in_time)
    return chosen, aside, _mixed(len(groups), len(joined), mix)


def _through_filter(lights: Sequence[RawFrame], filter_name: str) -> tuple[list[RawFrame], list[SetAside]]:
    """Lights with the filter that is asked for, all where none is; and the others."""
    if not filter_name:
        return list(lights), []
    wanted = [f for f in lights if (f.filter_name or "").casefold() == filter_name.casefold()]
    if not wanted:
        names = sorted({f.filter_name or "(none)" for f in lights})
        raise InputError(f"no light has filter {filter_name!r}; found {', '.join(names)}; change read.filter")
    aside = [
        SetAside(f.path, "select", f"filter {f.filter_name or '(none)'}; read.filter asks for {filter_name}")
        for f in lights
        if f not in wanted
    ]
    return wanted, aside


def kinds(frames: Sequence[RawFrame]) -> dict[Key, list[RawFrame]]:
    """Lights by what those of one kind share: camera, size, binning, gain setting and filter; longest exposed first."""
    found: dict[Key, list[RawFrame]] = defaultdict(list)
    for frame in frames:
        found[kind_of(frame)].append(frame)
    return dict(sorted(found.items(), key=lambda item: (-_exposure(item[1]), str(item[0]))))


def _goes_with(key: Key, best: Key, lights: Sequence[RawFrame]) -> bool:
    """Whether lights of one kind make a stack together with those of the best one."""
    return _mixes(key, best) and len(lights) >= LEAST


def _mixes(key: Key, best: Key) -> bool:
    """Whether lights of two kinds may be in one stack at all."""
    return all(
        mine == theirs
        for name, mine, theirs in zip(FIELDS, key, best, strict=True)
        if name in ("filter", "binning")
    )


def _advice(frame: RawFrame, best: Key, *, mix: bool) -> str:
    """What to do with a light of another kind than the best one that does not go with it."""
    alone = mix and _mixes(kind_of(frame), best)
    return f"{LEAST} of such a kind are needed" if alone else "run such lights apart"


def _best(groups: Mapping[Key, list[RawFrame]], calibrations: Sequence[RawFrame], tolerance_c: float) -> Key:
    """The kind to integrate."""
    found = grouped(calibrations, tolerance_c)

    def worth(key: Key) -> tuple[bool, float, int, int, str]:
        frames = groups[key]
        matching = _matching(frames[0], found, tolerance_c)
        return len(frames) >= LEAST, round(_exposure(frames), 6), matching, len(frames), str(key)

    return max(groups, key=worth)


def _matching(light: RawFrame, calibrations: Sequence[Group], tolerance_c: float) -> int:
    """Of darks as long as a light and flats of its filter, how many kinds there are."""
    darks = [group for group in calibrations if group.role is Role.DARK and same_exposure(light, group)]
    flats = [group for group in calibrations if group.role is Role.FLAT]
    fits = best_group(light, darks, tolerance_c), best_group(light, flats, 0.0, optics=True)
    return sum(group is not None for group in fits)


def in_time(frame: RawFrame) -> tuple[float, str]:
    """Key by which lights are put in time order, then by path; those without a date come last."""
    return (frame.time.timestamp() if frame.time else float("inf"), str(frame.path))


def kind_of(frame: RawFrame) -> Key:
    """What lights of one kind share, in the order of `FIELDS`."""
    name = (frame.filter_name or "").casefold()
    return (frame.camera, (frame.nx, frame.ny), frame.binning, frame.gain_setting, name)


def _exposure(frames: Sequence[RawFrame]) -> float:
    return sum(frame.exposure_s or 1.0 for frame in frames)


def _difference(frame: RawFrame, key: Key, best: Key) -> str:
    """What sets a light apart from those that are integrated."""
    unread = dict(frame.unread)
    parts = []
    for name, mine, theirs in zip(FIELDS, key, best, strict=True):
        card = unread.get("gain_setting") if name == "gain setting" and mine is None else None
        if mine != theirs:
            parts.append(
                f"{card or f'{name} {_text(mine)}'} instead of {f'{name} ' if card else ''}{_text(theirs)}"
            )
    return ", ".join(parts)


def _text(value: Hashable) -> str:
    if isinstance(value, tuple):
        return " x ".join(str(part) for part in value)
    if isinstance(value, float):
        return f"{value:g}"
    return str(value) if value not in (None, "") else "(not said)"


def _too_few(lights: Sequence[RawFrame], differences: Sequence[str], left_out: str = "") -> str:
    found = counted(len(lights), Role.LIGHT) + " found"
    if differences:
        found += f", but no two of one kind ({'; '.join(dict.fromkeys(differences))})"
    found += f"; {left_out}" if left_out else ""
    return f"{found}; at least {LEAST} lights of one camera, size, gain and filter are needed to integrate"


def _mixed(kinds: int, joined: int, mix: bool) -> list[str]:
    if kinds == 1:
        return []
    kind = f"the lights are of {kinds} kinds (camera, size, gain or filter)"
    if joined == kinds:
        return [f"{kind}; they are integrated together, each kind with its own calibration and noise."]
    if joined > 1:
        return [f"{kind}; {joined} of them are integrated together, the others are set aside."]
    why = "" if mix else " (read.mix_kinds=false)"
    return [f"{kind}; those with the longest total exposure are integrated, the others are set aside{why}."]


def kind_words(key: Key, best: Key) -> str:
    """What tells lights of a kind from those of another one, in words.

    >>> kind_words(("A", (30, 20), 1, 100.0, ""), ("A", (30, 20), 1, 200.0, ""))
    'gain setting 100'
    """
    apart = [
        (name, _text(mine)) for name, mine, theirs in zip(FIELDS, key, best, strict=True) if mine != theirs
    ]
    return ", ".join(said if name in said else f"{name} {said}" for name, said in apart)


def of_several_exposures(lights: Sequence[RawFrame]) -> list[str]:
    """That lights of several exposures are integrated together, where it is so."""
    counts = Counter(f"{frame.exposure_s:g} s" for frame in lights if frame.exposure_s is not None)
    if len(counts) < 2:
        return []
    said = ", ".join(f"{count} of {exposure}" for exposure, count in counts.most_common())
    return [
        f"the lights differ in exposure ({said}); they are integrated together, each weighted by its noise."
    ]


def _no_lights(frames: Sequence[RawFrame], left_out: str = "") -> str:
    counts = {role: sum(frame.role is role for frame in frames) for role in Role}
    found = ", ".join(counted(n, role) for role, n in counts.items() if n) or "none"
    found += f"; {left_out}" if left_out else ""
    return f"no lights among the frames found ({found}); point at the folders that hold the subs"
