"""Maps of a camera: nonuniformity, dark current and defects, from means of many frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.core.regionerror import Measured
from fourlight.engine import Progress
from fourlight.frames import RawFrame
from fourlight.stages import camera_dark
from fourlight.stages.camera_maps import (
    FEWEST_DARKS,
    Stack,
    dark_nonuniformity,
    defect_map,
    light_nonuniformity,
    stacked,
)
from fourlight.stages.camera_results import Found, Uniformity
from fourlight.stages.camera_transfer import FULL_SHARE
from fourlight.stages.masters import OpenSource

__all__ = ["MAP_BYTES", "Work", "measure_maps"]

FloatArray = npt.NDArray[np.float64]

MAP_BYTES = 12
"""Per pixel of the maps of a mean: value, variance, exposures."""


@dataclass(slots=True)
class Work:
    """What every step has at hand."""

    open_source: OpenSource
    folder: Path
    progress: Progress
    threads: int
    notes: list[str] = field(default_factory=list)

    def note(self, sentence: str) -> None:
        if sentence not in self.notes:
            self.notes.append(sentence)


def measure_maps(
    work: Work, found: Found, groups: Sequence[Sequence[RawFrame]], lit: Sequence[RawFrame], levels: FloatArray,
    unlit: Sequence[RawFrame], dimmed: Sequence[RawFrame],
) -> None:  # fmt: skip
    """Nonuniformity, dark current and defects, from means of frames."""
    dark = found.dark
    variance = np.nanmean(dark.variance, axis=1)
    noise = np.sqrt(variance)
    dark_groups = camera_dark.dark_groups(dimmed)
    work.progress.begin("maps", 2 + len(dark_groups))
    bias = stacked(unlit, work.open_source, noise, work.folder / "bias", work.threads)
    work.progress.step()
    number = _half_full(found, groups)
    level_of = {id(frame): level for frame, level in zip(lit, levels, strict=True)}
    flat = None
    if number is not None:
        chosen = np.array([level_of[id(frame)] for frame in groups[number]])
        there = found.points.group == number
        lit_noise = np.sqrt(np.nanmean(found.points.light[there], axis=(0, 2)) + variance)
        flat = stacked(
            groups[number], work.open_source, lit_noise, work.folder / "flat", work.threads,
            np.nanmean(dark.level, axis=1), chosen,
        )  # fmt: skip
        found.counts = replace(found.counts, prnu_flats=flat.frames)
    work.progress.step()
    found.uniformity = _uniformity(found, bias, flat, number, variance)
    _currents(work, found, dark_groups, bias, flat, noise)
    work.progress.end("nonuniformity, dark current and defects")


def _half_full(found: Found, groups: Sequence[Sequence[RawFrame]]) -> int | None:
    """The level nearest to half of saturation (EMVA 1288) in which as good as no sample is cut off."""
    full = max(place.saturation.level for place in found.places)
    best: tuple[float, int] | None = None
    for number in range(len(groups)):
        there = found.points.group == number
        level, full_share = (
            float(np.nanmax(np.nanmean(part[there], axis=(0, 2))))
            for part in (found.points.level, found.points.full)
        )
        if full_share > FULL_SHARE or (level > 0.9 * full and len(groups) > 1):
            continue
        best = min(best or (np.inf, number), (abs(level - full / 2), number))
    if best is None:
        found.missing["prnu"] = "flats below saturation in all colours, two or more of one level"
        return None
    return best[1]


def _uniformity(
    found: Found, bias: Stack, flat: Stack | None, number: int | None, variance: FloatArray
) -> dict[str, Uniformity]:
    made = {}
    for place, name in enumerate(found.names):
        dsnu = dark_nonuniformity(bias, variance, place)
        if flat is None or number is None:
            made[name] = Uniformity(dsnu, None, None)
            continue
        there = found.points.group == number
        level, light = (part[there, place] for part in (found.points.level, found.points.light))
        own = found.dark.variance[place]
        temporal = ((light + own) / flat.frames + own / bias.frames) / level**2
        noise = float(np.nanmean(temporal))
        # the variance of normal noise is known to sqrt(2 / n) of itself from n differences
        noise_error = noise * (2 / max(float(found.points.count[there, place].sum()), 2.0)) ** 0.5
        made[name] = Uniformity(dsnu, *light_nonuniformity(flat, bias, Measured(noise, noise_error), place))
    return made


def _currents(
    work: Work, found: Found, groups: Sequence[camera_dark.DarkGroup], bias: Stack, flat: Stack | None,
    noise: FloatArray,
) -> None:  # fmt: skip
    """Dark current of every group of darks, its law, and the map of defects."""
    best = camera_dark.longest(groups) if groups else None
    kept: Stack | None = None
    currents = []
    for k, group in enumerate(groups):
        stack = stacked(group.frames, work.open_source, noise, work.folder / f"dark{k}", work.threads)
        scatter = camera_dark.from_scatter(group, found.dark, work.open_source, found.gain)
        currents.append(camera_dark.current_of(group, stack, bias, scatter, found.gain))
        if group is best:
            kept = stack
        else:
            for file in stack.folder.iterdir():
                file.unlink()
        work.progress.step()
    found.currents = currents
    if groups:
        found.law, lacking = camera_dark.law_of(currents, work.note)
        if lacking:
            found.missing["dark_law"] = lacking
    else:
        found.missing |= {"dark_current": "darks", "dark_law": "darks of two or more temperatures"}
    if kept is None or kept.frames < FEWEST_DARKS:
        work.note(
            "Hot samples are looked for in the bias frames, which show the hottest alone"
            + (
                f"; {FEWEST_DARKS} darks of one exposure would show more."
                if kept
                else "; darks would show more."
            )
        )
        kept = None
    found.defect_darks = kept.frames if kept else 0
    found.defects = defect_map(bias, kept, flat, noise, found.gain.value, found.dark.step)
