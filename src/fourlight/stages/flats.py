"""Flats: which are fit for use, what is taken off them, and the response map they make."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.errors import FrameError
from fourlight.frames import RawFrame, Role
from fourlight.stages.bench import Bench
from fourlight.stages.groups import Group, best_group, differences, same_exposure
from fourlight.stages.masters import Master, combined, plane_levels
from fourlight.stages.offsets import master_level

__all__ = ["flat_for", "response", "usable"]

_FULL = 0.9
_FULL_SHARE = 0.01
_DIM = 0.02
"""Share of the range under which a flat is called dark: its noise would show (practice, no source)."""


@dataclass(frozen=True, slots=True)
class _Pedestal:
    value: Master | float
    level: float
    how: str


def usable(frames: Sequence[RawFrame], bench: Bench) -> list[RawFrame]:
    """Flats that are neither saturated nor empty; the others are set aside with what was found."""
    kept = []
    for frame in frames:
        full = bench.saturation([frame])
        try:
            level, share = plane_levels(bench.open_source(frame), bench.pattern, full)
            bench.levels[frame.path, frame.hdu] = level
        except FrameError as error:
            bench.drop(frame, error.reason)
            continue
        if not np.isfinite(level).all() or np.min(level) <= 0:
            bench.drop(frame, "flat without light: a plane has no level above 0")
        elif full is not None and (level.max() > _FULL * full or share.max() > _FULL_SHARE):
            bench.drop(
                frame, f"flat saturates: {_too_bright(level, share, full)}; expose flats to about half"
            )
        else:
            if full is not None and level.max() < _DIM * full:
                bench.odd[frame.path] = (
                    f"flat is dark ({level.max():.0f} of {full:.0f} ADU), its noise goes into the lights"
                )
            kept.append(frame)
    return kept


def _too_bright(level: npt.NDArray[np.float64], share: npt.NDArray[np.float64], full: float) -> str:
    """How bright a flat is, of four planes by level and share of full samples."""
    if share.max() > _FULL_SHARE:
        return f"{100 * share.max():.0f} % of the samples of one colour are full ({full:.0f} ADU)"
    return (
        f"its brightest colour lies at {level.max():.0f} of {full:.0f} ADU, in the last tenth of the range, where "
        "sensors are full or nearly so"
    )


def flat_for(light: RawFrame, flats: Sequence[Group], say: Callable[[str], None]) -> Group | None:
    """Flats that fit a light (filter, size, binning; nearest night); misfits are named in the notes."""
    group = best_group(light, flats, 0.0, optics=True)
    if group is None:
        for other in flats:
            say(f"{other.label} left out: {', '.join(differences(light, other, 0.0, optics=True))}.")
        return None
    first = group.frames[0]
    if (light.filter_name is None) != (first.filter_name is None):
        say(f"{group.label}: filter not known on both sides, taken to match the lights.")
    if None not in (light.gain_setting, first.gain_setting) and light.gain_setting != first.gain_setting:
        say(f"{group.label}: taken at another gain than the lights; used, for a flat is a ratio.")
    return group


def response(
    group: Group, darkflats: Sequence[Group], darks: Sequence[Group], black: float | None, bench: Bench
) -> Master:
    """Relative response of every sample, median 1 in each plane, from one group of flats.

    Each flat is scaled to its own level per plane before they are combined, so that flats of changing light
    (twilight) can be mixed and the colour of the lamp drops out.

    Parameters
    ----------
    group : Group
        Flats that `usable` let through.
    darkflats, darks : sequence of Group
        Darks for flats and bias frames; darks. The best fit is taken off.
    black : float or None
        Pedestal to use where nothing fits, ADU.
    """
    pedestal = _pedestal(group, darkflats, darks, black, bench)
    levels: list[npt.NDArray[np.float64]] = []
    good: list[RawFrame] = []
    for frame in group.frames:
        level = bench.levels[frame.path, frame.hdu] - pedestal.level
        if np.min(level) <= 0:
            bench.drop(
                frame, f"flat without light: a plane lies at or below the level of no light ({pedestal.how})"
            )
            continue
        levels.append(level)
        good.append(frame)
    if not good:
        raise FrameError(
            str(group.frames[0].path), "no flat of this group has light above the level of no light"
        )
    return combined(
        good,
        bench.open_source,
        bench.pattern,
        bench.settings.clip_sigma,
        bench.work,
        pedestal=pedestal.value,
        levels=np.array(levels),
        threads=bench.threads,
    )


def _pedestal(
    group: Group, darkflats: Sequence[Group], darks: Sequence[Group], black: float | None, bench: Bench
) -> _Pedestal:
    frame = group.frames[0]
    short = [g for g in darkflats if g.role is Role.BIAS or same_exposure(frame, g)]
    long = [g for g in darks if same_exposure(frame, g) and g.exposure_s is not None]
    for choice in ([g for g in short if g.role is Role.DARKFLAT], short, long):
        fit = best_group(frame, choice, 1e3)
        if fit is not None:
            master = bench.master(fit)
            return _Pedestal(master, master_level(master), fit.label)
    number, source = bench.black(frame)
    if number is None and black is not None:
        number, source = black, "that of the lights"
    if number is None:
        bench.tell(f"{group.label}: level of no light unknown, 0 taken; the flat corrects too little.")
        return _Pedestal(0.0, 0.0, "0 taken")
    bench.note(f"{group.label}: no bias or dark fits, {number:.0f} ADU taken off ({source}).")
    return _Pedestal(number, number, source)
