"""Lights of several kinds in one run: each kind has its own mosaic, calibration and noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fourlight.errors import FrameError, InputError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.pipeline.job import Sorting
from fourlight.stages import mosaic
from fourlight.stages.mosaic import MosaicDecision
from fourlight.stages.select import kind_of, kind_words, kinds

__all__ = ["Kind", "parted"]


@dataclass(frozen=True, slots=True)
class Kind:
    """Lights of one camera, size and gain setting, with what belongs to them."""

    name: str
    """What tells it from the first kind; empty for that one."""
    lights: list[RawFrame]
    others: list[RawFrame]
    """Calibration frames that may serve them."""
    mosaic: MosaicDecision


def parted(
    sorting: Sorting, lights: Sequence[RawFrame], others: Sequence[RawFrame], earlier: Sequence[Kind] = ()
) -> list[Kind]:
    """Kinds of lights, the longest exposed first; those whose mosaic cannot be found are set aside.

    ``earlier`` are kinds of an earlier run: they stand first as they are, and other lights make kinds of their own.

    Raises
    ------
    InputError, FrameError
        The mosaic of the first kind cannot be found.
    """
    known = {frame.path for part in earlier for frame in part.lights}
    groups = kinds([frame for frame in lights if frame.path not in known])
    first = kind_of(earlier[0].lights[0]) if earlier else next(iter(groups))
    # Frames that suit lights of an earlier run better are in its masters.
    alike = [*(group[0] for group in groups.values()), *(part.lights[0] for part in earlier)]
    shares = _shared_out(alike, others)
    found = list(earlier)
    for (key, group), share in zip(groups.items(), shares[: len(groups)], strict=True):
        try:
            decision = mosaic.decide(group, sorting.source, sorting.recipe.read.mosaic)
        except (InputError, FrameError) as error:
            if key == first and not earlier:
                raise
            sorting.drop([SetAside(frame.path, "select", str(error), Role.LIGHT) for frame in group])
            continue
        name = kind_words(key, first) or (_added(group) if earlier else "")
        found.append(Kind(name, group, share, decision))
    return found


def _added(lights: Sequence[RawFrame]) -> str:
    """Name of lights that were added to others of the same kind."""
    nights = sorted({light.night for light in lights if light.night})
    if not nights:
        return "added lights"
    return f"added lights of {nights[0]}" + (f" to {nights[-1]}" if len(nights) > 1 else "")


def _shared_out(firsts: Sequence[RawFrame], others: Sequence[RawFrame]) -> list[list[RawFrame]]:
    """Calibration frames by the kind of lights that they are most alike; flats go to every kind they are as like.

    ``firsts`` holds a light of each kind. What fits none goes to the first kind, where it is said why.
    """
    shares: list[list[RawFrame]] = [[] for _ in firsts]
    for frame in others:
        unlike = [_unlike(frame, light) for light in firsts]
        nearest = [k for k, count in enumerate(unlike) if count == min(unlike)]
        for k in nearest if frame.role is Role.FLAT else nearest[:1]:
            shares[k].append(frame)
    return shares


def _unlike(frame: RawFrame, light: RawFrame) -> int:
    """How much sets a calibration frame and a light apart: size counts most, then camera, binning, gain."""
    facts: list[tuple[int, object, object]] = [
        (8, (frame.ny, frame.nx), (light.ny, light.nx)),
        (4, frame.camera, light.camera),
        (2, frame.binning, light.binning),
    ]
    if frame.role is not Role.FLAT:
        facts.append((1, frame.gain_setting, light.gain_setting))
    return sum(weight for weight, mine, theirs in facts if None not in (mine, theirs) and mine != theirs)
