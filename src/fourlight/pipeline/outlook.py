"""What a run would do with the frames that were found, as far as headers and a look at the pixels tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fourlight.engine import Silent, thread_count
from fourlight.errors import FrameError, InputError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.io.scan import Scan
from fourlight.pipeline.gathering import RAW_ROLES, cheap_keys, chosen, looked, once, with_mosaic
from fourlight.pipeline.job import Sorting
from fourlight.pipeline.names import NAMED, by_reason, to_know
from fourlight.recipe import Calibrate, Recipe
from fourlight.stages import mosaic
from fourlight.stages.flats import flat_for
from fourlight.stages.groups import Group, grouped
from fourlight.stages.offsets import choose_offset, say_unused

__all__ = ["Outlook", "outlook"]


@dataclass(frozen=True, slots=True)
class Outlook:
    """What would happen, by the very steps with which a run begins."""

    refused: str
    """Why a run would be refused, in its own words; empty where it would begin."""
    set_aside: tuple[SetAside, ...]
    """Frames that a run would set aside before it measures, files that are no frames first."""
    problems: tuple[str, ...]
    """All of it, and what headers lack, in one plain line each."""


def outlook(found: Scan, recipe: Recipe) -> Outlook:
    """Sort frames as a run does, without writing anything.

    Files are not read to their end, but for files without a date that are equal in size.
    """
    sorting = Sorting(recipe, Silent(), thread_count(recipe.run.threads))
    lights, others, refused = _sorted(sorting, found)
    said = [f"a run would be refused: {refused}"] if refused else []
    said += [f"set aside: {line}" for line in _reasons(sorting)]
    said += [_line(note) for note in sorting.notes if note not in found.notes]
    said += [_line(note) for note in _calibration(lights, others, recipe.calibrate)] if not refused else []
    said += [f"to know: {line}" for line in to_know(found.frames, sorting.names)]
    return Outlook(refused, tuple(sorting.set_aside), tuple(said))


def _sorted(sorting: Sorting, found: Scan) -> tuple[list[RawFrame], list[RawFrame], str]:
    """Lights and calibration frames that would be used, and why there would be no run."""
    refused = ""
    keys = cheap_keys(found.frames)
    try:
        lights, others = chosen(sorting, found)
    except InputError as error:
        refused = str(error)
        lights, others = [], [frame for frame in found.frames if frame.role in RAW_ROLES]
    sound = looked(sorting, [*lights, *others])
    lights = [frame for frame in sound if frame.role is Role.LIGHT]
    others = once(sorting, [frame for frame in sound if frame.role is not Role.LIGHT], keys)
    if refused:
        return lights, others, refused
    try:
        sorting.need_two(len(lights))
        lights = once(sorting, with_mosaic(sorting, lights), keys)
        sorting.need_two(len(lights))
        mosaic.decide(lights, sorting.source, sorting.recipe.read.mosaic)
    except (InputError, FrameError) as error:
        refused = str(error)
    return lights, others, refused


def _calibration(lights: Sequence[RawFrame], others: Sequence[RawFrame], settings: Calibrate) -> list[str]:
    """What would be said of darks, flats and bias frames that do not fit, each sentence once."""
    tolerance = settings.temperature_tolerance_c

    def groups(role: Role) -> list[Group]:
        return grouped([frame for frame in others if frame.role is role], tolerance)

    notes: list[str] = []
    darks, biases, flats = groups(Role.DARK), groups(Role.BIAS), groups(Role.FLAT)
    choices = [choose_offset(light, darks, biases, tolerance, notes.append) for light in lights]
    say_unused(lights, darks, flats, choices, notes.append)
    for light in lights:
        flat_for(light, flats, notes.append)
    return list(dict.fromkeys(notes))


def _reasons(sorting: Sorting) -> list[str]:
    return by_reason(((sorting.names[item.path], item.reason) for item in sorting.set_aside), NAMED)


def _line(sentence: str) -> str:
    return sentence.strip().rstrip(".")
