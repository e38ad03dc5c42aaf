"""Calibration: from raw lights and whatever calibration frames there are to samples in electrons."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.errors import FrameError, InputError
from fourlight.frames import NoiseModel, RawFrame, Role
from fourlight.recipe import Calibrate
from fourlight.recipe_read import Read
from fourlight.stages import defect_map
from fourlight.stages.bench import Bench
from fourlight.stages.calibrated import CalibratedSource
from fourlight.stages.calibration import ROLES, Calibration, Plan
from fourlight.stages.flats import flat_for, response, usable
from fourlight.stages.gain import Survey, survey
from fourlight.stages.groups import Group, counted, grouped
from fourlight.stages.masters import Master, OpenSource
from fourlight.stages.noise_model import chosen
from fourlight.stages.offsets import Offset, choose_offsets, master_level, offset_for, say_unused
from fourlight.stages.pedestal import find_full, known_pedestal, with_pedestal
from fourlight.stages.profile_defects import known_defects
from fourlight.stages.profile_use import fitting_profile
from fourlight.stages.response import factor_map

__all__ = ["prepare", "usable_groups"]

BoolArray = npt.NDArray[np.bool_]

_SATURATION_MARGIN = 0.98
"""Sensors bend before they are full (practice, no source)."""


def prepare(
    lights: Sequence[RawFrame],
    calibrations: Sequence[RawFrame],
    open_source: OpenSource,
    pattern: str,
    settings: Calibrate,
    read: Read,
    work: Path,
    progress: Callable[[int, int], None] | None = None,
    threads: int = 1,
) -> Calibration:
    """Masters, noise model and defects for a set of lights of one camera.

    Parameters
    ----------
    lights, calibrations : sequence of RawFrame
        Lights of one size; darks, flats, bias frames and darks for flats in any order.
    open_source : callable
        Gives the pixels of a frame; raises `FrameError` for one that cannot be read.
    pattern : str
        Mosaic pattern in array order.
    settings, read : recipe sections
    work : Path
        Folder for masters; they are used again when the same files and settings come back.
    progress : callable, optional
        Called with frames done and frames in all.
    threads : int
        Pieces of work that are done at the same time.

    Raises
    ------
    InputError
        No lights, or lights of different sizes.
    """
    _check_size(lights)
    total = len(lights) + len(calibrations)
    bench = Bench(open_source, pattern, settings, read, work, progress, threads, total=total)
    known = _known(lights[0], bench)
    find_full(lights, bench)
    groups = usable_groups(calibrations, bench)
    seen = survey(lights, open_source, pattern, threads)
    zeros = groups[Role.DARKFLAT] + groups[Role.BIAS]
    darks, flat_groups = groups[Role.DARK], groups[Role.FLAT]
    tolerance = settings.temperature_tolerance_c
    choices = choose_offsets(lights, darks, groups[Role.BIAS], tolerance, bench.tell)
    say_unused(lights, darks, flat_groups, choices, bench.tell)
    offsets = [offset_for(light, choice, bench) for light, choice in zip(lights, choices, strict=True)]
    noise = chosen(lights, flat_groups, zeros, seen, known_pedestal(offsets), bench)
    noise, offsets = with_pedestal(noise, offsets, lights, seen, bool(flat_groups), bench)
    chosen_flats = [flat_for(light, flat_groups, bench.tell) for light in lights]
    flats = _responses(chosen_flats, zeros, darks, noise.pedestal_adu, bench)
    defects = _defects(lights, offsets, seen, noise, known, bench)
    plans = _plans(lights, offsets, chosen_flats, flats, defects, noise, bench)
    bench.advance(bench.total)
    count = int(defects.sum())
    return Calibration(
        noise,
        tuple(bench.notes),
        tuple(bench.remarks),
        bench.odd,
        tuple(bench.set_aside),
        _description(offsets, chosen_flats, flats, count, seen)
        | {"defects_of_profile": int(known.sum()), "masters": _masters(flats, bench)},
        _fit(groups, flats, bench),
        plans,
        open_source,
        _held(plans.values(), [*bench.made.values(), *flats.values()]),
    )


def _check_size(lights: Sequence[RawFrame]) -> None:
    if not lights:
        raise InputError("no lights to calibrate; at least one raw light frame is needed")
    if len({(f.ny, f.nx) for f in lights}) > 1:
        raise InputError("lights of different sizes cannot be calibrated together; run them one by one")


def _held(plans: Iterable[Plan], made: Sequence[Master]) -> tuple[Master, ...]:
    held = [part for plan in plans for part in (plan.offset, plan.factor) if isinstance(part, Master)]
    return tuple(dict.fromkeys([*made, *held]))


def usable_groups(calibrations: Sequence[RawFrame], bench: Bench) -> dict[Role, list[Group]]:
    """Readable calibration frames by role and likeness; roles that the recipe turns off stay empty."""
    use = {Role.DARK: bench.settings.darks, Role.FLAT: bench.settings.flats, Role.BIAS: bench.settings.bias}
    found: dict[Role, list[Group]] = {}
    for role in ROLES:
        frames = [frame for frame in calibrations if frame.role is role]
        if use.get(role, bench.settings.flats) == "off":
            if frames:
                bench.note(f"{counted(len(frames), role)} not used: turned off in the recipe.")
            frames = []
        frames = [frame for frame in frames if bench.readable(frame)]
        if role is Role.FLAT:
            frames = usable(frames, bench)
        found[role] = grouped(frames, bench.settings.temperature_tolerance_c)
        for group in found[role]:
            if len(group.frames) < 3:
                bench.note(f"{group.label}: fewer than three, so what does not repeat cannot be told apart.")
    return found


def _responses(
    chosen_flats: Sequence[Group | None],
    zeros: Sequence[Group],
    darks: Sequence[Group],
    black: float | None,
    bench: Bench,
) -> dict[Group, Master]:
    made: dict[Group, Master] = {}
    for group in dict.fromkeys(g for g in chosen_flats if g is not None):
        try:
            made[group] = response(group, zeros, darks, black, bench)
        except FrameError as error:
            bench.note(f"{group.label} left out: {error.reason}.")
        bench.advance(len(group.frames))
    return made


def _known(light: RawFrame, bench: Bench) -> BoolArray:
    """Defects that a camera profile which holds for the lights has a map of."""
    if bench.settings.defects == "off" or fitting_profile(bench.read, light, bench.tell) is None:
        found = None
    else:
        found = known_defects(bench.read, light, bench.pattern)
    return np.zeros((light.ny, light.nx), dtype=np.bool_) if found is None else found


def _defects(
    lights: Sequence[RawFrame], offsets: Sequence[Offset], seen: Survey, noise: NoiseModel, known: BoolArray,
    bench: Bench,
) -> BoolArray:  # fmt: skip
    shape = (lights[0].ny, lights[0].nx)
    if bench.settings.defects == "off":
        bench.note("Defective samples kept: turned off in the recipe.")
        return np.zeros(shape, dtype=np.bool_)
    of = {(light.path, light.hdu): offset for light, offset in zip(lights, offsets, strict=True)}

    def open_light(frame: RawFrame) -> CalibratedSource:
        value = of[frame.path, frame.hdu].value
        return CalibratedSource(
            bench.open_source(frame), value.open() if isinstance(value, Master) else value, 1.0
        )

    found, threshold = defect_map.from_lights(
        lights, open_light, bench.settings.defect_sigma, bench.threads, seen.step
    )
    hot = np.zeros(shape, dtype=np.bool_)
    for offset in dict.fromkeys(o for o in offsets if "dark" in o.how):
        assert isinstance(offset.value, Master)
        full = bench.saturation(lights)
        hot |= defect_map.from_dark(offset.value, bench.pattern, seen.variances, noise.gain_e_per_adu, full)
    total = found | hot | known
    count = int(total.sum())
    sources = defect_map.sources(
        int(found.sum()), int(hot.sum()), int((found & hot).sum()), len(lights), int(known.sum()),
        int((known & ~found & ~hot).sum()),
    )  # fmt: skip
    bench.note(
        f"{count} defective sample{'s' * (count != 1)} ({100 * total.mean():.3f} %) left out: {sources}."
    )
    if threshold > 2 * bench.settings.defect_sigma:
        bench.note(f"So many samples stand apart that the threshold was raised to {threshold:g} sigma.")
    return total


def _plans(
    lights: Sequence[RawFrame],
    offsets: Sequence[Offset],
    chosen_flats: Sequence[Group | None],
    flats: Mapping[Group, Master],
    defects: BoolArray,
    noise: NoiseModel,
    bench: Bench,
) -> dict[tuple[Path, int], Plan]:
    plans = {}
    factors: dict[Master | None, tuple[Master | float, float]] = {}
    zeros = {
        offset: master_level(offset.value) if isinstance(offset.value, Master) else offset.value
        for offset in dict.fromkeys(offsets)
    }
    for light, offset, group in zip(lights, offsets, chosen_flats, strict=True):
        flat = flats.get(group) if group is not None else None
        if flat not in factors:
            factors[flat] = factor_map(flat, defects, noise.scale, bench.pattern, bench.work)
        factor, brightest = factors[flat]
        zero = zeros[offset]
        full = bench.saturation([light])
        limit = np.inf if full is None else (full - zero) * noise.scale * _SATURATION_MARGIN / brightest
        behind = " ".join(part.path.name if isinstance(part, Master) else "" for part in (offset.value, flat))
        plans[light.path, light.hdu] = Plan(offset.value, factor, float(limit), noise, bench.pattern, behind)
    return plans


def _description(
    offsets: Sequence[Offset],
    chosen_flats: Sequence[Group | None],
    flats: Mapping[Group, Master],
    defects: int,
    seen: Survey,
) -> dict[str, Any]:
    how: dict[str, int] = {}
    for offset in offsets:
        how[offset.how] = how.get(offset.how, 0) + 1
    return {
        "offset_taken_off": how,
        "lights_with_flat": sum(group in flats for group in chosen_flats if group is not None),
        "defective_samples": defects,
        "cells_for_gain": seen.cells,
        "digitiser_step_adu": seen.step,
    }


def _masters(flats: Mapping[Group, Master], bench: Bench) -> dict[str, int]:
    """Masters that were made, and the number of frames in each."""
    return {group.label: master.frames for group, master in (bench.made | dict(flats)).items()}


def _fit(
    groups: Mapping[Role, Sequence[Group]], flats: Mapping[Group, Master], bench: Bench
) -> dict[Path, tuple[str, bool]]:
    """Frames that were fit for use: role of each, and whether it is in a master."""
    made = bench.made.keys() | flats.keys()
    return {
        frame.path: (str(role), group in made)
        for role, found in groups.items()
        for group in found
        for frame in group.frames
    }
