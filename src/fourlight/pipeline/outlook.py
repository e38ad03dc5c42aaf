"""What a run would do with the frames that were found, as far as headers and a look at the pixels tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fourlight.engine import Silent, thread_count
from fourlight.errors import FrameError, InputError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.io.scan import Scan
from fourlight.pipeline.foreseen import Foreseen, foreseen, together
from fourlight.pipeline.gathering import RAW_ROLES, cheap_keys, chosen, looked, once, settled
from fourlight.pipeline.job import Sorting
from fourlight.pipeline.kinds import Kind, parted
from fourlight.pipeline.names import NAMED, briefly, by_reason, odd_ones, to_know
from fourlight.recipe import Recipe

__all__ = ["Outlook", "outlook"]

Refusal = InputError | FrameError | None
"""Why there would be no run."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """What would happen, by the very steps with which a run begins."""

    refused: str
    """Why a run would be refused, in its own words; empty where it would begin."""
    refused_briefly: str
    """The same, less the reasons that are among the problems."""
    set_aside: tuple[SetAside, ...]
    """Frames that a run would set aside before it measures, files that are no frames first."""
    problems: tuple[str, ...]
    """What would be set aside, and what a user must know of the others, in one plain line each."""


def outlook(found: Scan, recipe: Recipe) -> Outlook:
    """Sort frames as a run does, without writing anything.

    Files are not read to their end, but for four lights (to see where samples are full) and for those that are equal
    in size and in date (or have none): of a camera whose clock stands still that is every light.
    """
    sorting = Sorting(recipe, Silent(), thread_count(recipe.run.threads))
    lights, others, parts, refused = _sorted(sorting, found)
    calibration = (
        Foreseen(others) if refused else together([(part.name, foreseen(sorting, part)) for part in parts])
    )
    odd = odd_ones(_in_use(sorting, found, [*lights, *calibration.frames]), sorting.names)
    known = briefly(to_know([*sorting.remarks, *calibration.remarks], odd), odd)
    aside = ((sorting.names[item.path], item.reason) for item in sorting.set_aside)
    problems = [f"calibration: {', '.join(calibration.lacking)}"] if calibration.lacking else []
    problems += [f"set aside: {line}" for line in by_reason(aside, NAMED)]
    problems += [f"to know: {line}" for line in known]
    return Outlook(
        str(refused or ""),
        refused.brief if isinstance(refused, InputError) else str(refused or ""),
        tuple(sorting.set_aside),
        tuple(problems),
    )


def _in_use(sorting: Sorting, found: Scan, looked_at: Sequence[RawFrame]) -> list[RawFrame]:
    """Frames that are not set aside, with all that is odd about them."""
    out = {item.path for item in sorting.set_aside}
    rest = {frame.path: frame for frame in looked_at}
    return [rest.get(frame.path, frame) for frame in found.frames if frame.path not in out]


def _sorted(sorting: Sorting, found: Scan) -> tuple[list[RawFrame], list[RawFrame], list[Kind], Refusal]:
    """Lights and calibration frames that would be used, the same by kind, and why there would be no run."""
    refused: Refusal = None
    keys = cheap_keys(sorting, found.frames)
    try:
        lights, others = chosen(sorting, found)
    except InputError as error:
        refused = error
        lights, others = [], [frame for frame in found.frames if frame.role in RAW_ROLES]
    sound = looked(sorting, [*lights, *others])
    lights = [frame for frame in sound if frame.role is Role.LIGHT]
    others = once(sorting, [frame for frame in sound if frame.role is not Role.LIGHT], keys)
    if refused:
        return lights, others, [], refused
    try:
        lights = settled(sorting, lights, keys)
        parts = parted(sorting, lights, others)
    except (InputError, FrameError) as error:
        return lights, others, [], error
    return lights, others, parts, None
