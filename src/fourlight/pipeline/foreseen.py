"""What a run would do with darks, flats and bias frames, before anything is combined."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from fourlight.frames import RawFrame, Role
from fourlight.pipeline.job import Sorting
from fourlight.pipeline.kinds import Kind
from fourlight.report.calibration import lacking
from fourlight.stages.bench import Bench
from fourlight.stages.calibrate import usable_groups
from fourlight.stages.flats import flat_for
from fourlight.stages.offsets import choose_offsets, say_unused
from fourlight.stages.pedestal import find_full

__all__ = ["Foreseen", "foreseen", "together", "with_odd"]


@dataclass(frozen=True, slots=True)
class Foreseen:
    """Calibration frames, and what would be said of them."""

    frames: Sequence[RawFrame]
    """With what their pixels show to be odd among their problems."""
    remarks: Sequence[str] = ()
    """What does not fit the lights, in sentences."""
    lacking: Sequence[str] = ()
    """Calibration that some or all lights would do without."""


def foreseen(sorting: Sorting, part: Kind) -> Foreseen:
    """The first steps of calibration, which write nothing; frames that are not fit for use are set aside.

    Parameters
    ----------
    sorting : Sorting
    part : Kind
        Lights of one mosaic with their calibration frames.

    Raises
    ------
    FrameError
        The samples of a light cannot be read.
    """
    recipe = sorting.recipe
    lights, others = part.lights, part.others
    bench = Bench(sorting.source, part.mosaic.pattern, recipe.calibrate, recipe.read, Path())
    find_full(lights, bench)
    groups = usable_groups(others, bench)
    darks, flats = groups[Role.DARK], groups[Role.FLAT]
    choices = choose_offsets(
        lights, darks, groups[Role.BIAS], recipe.calibrate.temperature_tolerance_c, bench.tell
    )
    say_unused(lights, darks, flats, choices, bench.tell)
    with_flat = [flat_for(light, flats, bench.tell) is not None for light in lights]
    with_dark = [choice.dark is not None for choice in choices]
    sorting.drop(bench.set_aside)
    return Foreseen(
        [with_odd(frame, bench.odd) for frame in others],
        bench.remarks,
        lacking(sum(with_dark), sum(with_flat), len(lights)),
    )


def together(parts: Sequence[tuple[str, Foreseen]]) -> Foreseen:
    """What is foreseen for lights of several kinds: name of each kind, the first one's empty."""
    named = [(f"{name}: " if name else "", part) for name, part in parts]
    return Foreseen(
        list({frame.path: frame for _, part in parts for frame in part.frames}.values()),
        [name + remark for name, part in named for remark in part.remarks],
        [name + line for name, part in named for line in part.lacking],
    )


def with_odd(frame: RawFrame, odd: Mapping[Path, str]) -> RawFrame:
    """A calibration frame with what its pixels show to be odd among its problems."""
    said = odd.get(frame.path)
    return replace(frame, problems=(*frame.problems, said)) if said else frame
