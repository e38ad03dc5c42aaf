"""Gain, read noise and pedestal of the run: from flats and bias, from the lights, from the header."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise, repeat

import numpy as np
import numpy.typing as npt

from fourlight.core.cells import Cells, cell_noise, structure_share
from fourlight.core.cfa import plane_map
from fourlight.core.cutoff import CUT_OFF
from fourlight.core.noise import quantisation_step
from fourlight.core.transfer import Line, pair_gain, pair_read_noise, variance_line
from fourlight.engine import in_order
from fourlight.frames import RawFrame
from fourlight.stages.bench import Bench
from fourlight.stages.camera_pairs import look
from fourlight.stages.groups import Group
from fourlight.stages.masters import OpenSource, patches

__all__ = ["Survey", "cut_off", "flat_gain", "read_noise_adu", "survey"]

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]
Pair = tuple[RawFrame, RawFrame | None]
Patch = tuple[float | None, list[Cells]]
"""Step of the digitiser (None where no sample is known) and cells of the four places of the mosaic cell, in one part of
the frame."""

_PAIRS = 8
_LOOKS = 3
"""Bias frames that are looked at for samples that are cut off."""
_STARLESS = 0.1
"""Share of the starlight of most lights below which a light shows next to none."""
_SIDE = 32
"""Side of a cell in samples of one plane: the variance of a cell is known to about 6 %."""


@dataclass(frozen=True, slots=True)
class Survey:
    """Level and variance of star-free cells of the lights."""

    line: Line | None
    """Variance against level; None where the cells do not fix one."""
    levels: FloatArray
    """(4,) median level per plane over the lights, pedestal included, ADU."""
    variances: FloatArray
    """(4,) median variance of one sample per plane, ADU^2."""
    step: float
    """Step of the digitiser in ADU, 0 if the samples are not whole numbers."""
    nights: int
    cells: int
    structure: float = 0.0
    """Share of the scatter in the cells that was faint structure; it has been taken off."""
    structure_error: float = 0.0
    """Relative error that this leaves in all variances."""


def survey(lights: Sequence[RawFrame], open_source: OpenSource, pattern: str, threads: int = 1) -> Survey:
    """Levels and variances from pairs of successive lights spread over all nights (or one light alone).

    Lights that show next to no stars where others show many (cap on, thick cloud, a picture of something else)
    are left out: what they hold is not the sky under which the others were taken.
    """
    cell = plane_map(pattern)
    cells: list[list[Cells]] = [[], [], [], []]
    steps: list[float] = []
    nights = set()
    pairs = _with_stars(_light_pairs(lights), open_source, threads)
    for pair, patches_of in zip(
        pairs, in_order(partial(_pair_cells, open_source=open_source), pairs, threads), strict=True
    ):
        nights.add(pair[0].night)
        for step, four in patches_of:
            steps += [] if step is None else [step]
            for plane, found in zip(cell.ravel(), four, strict=True):
                cells[plane].append(found)
    share, error = structure_share([one for part in cells for one in part])
    levels = [np.concatenate([one.level for one in part]) for part in cells]
    variances = [np.concatenate([one.variance for one in part]) * (1 - share) for part in cells]
    line = variance_line(np.concatenate(levels), np.concatenate(variances))
    return Survey(
        line,
        np.array([np.median(part) if len(part) else np.nan for part in levels]),
        np.array([np.median(part) if len(part) else np.nan for part in variances]),
        min(steps, default=0.0),
        len(nights),
        sum(len(part) for part in levels),
        share,
        error / (1 - share),
    )


def flat_gain(flats: Sequence[Group], biases: Sequence[Group], bench: Bench) -> tuple[float, float] | None:
    """Gain and its error by photon transfer: median over planes and pairs; None without a pair of each."""
    found = []
    for group in flats:
        dark = next((b for b in biases if len(b.frames) > 1 and _alike(b.frames[0], group.frames[0])), None)
        pairs = [(a, b) for a, b in _pairs(group.frames) if _close(a.exposure_s, b.exposure_s)]
        if dark is None or not pairs:
            continue
        low = _pair_cells((dark.frames[0], dark.frames[1]), bench.open_source)
        for high in pairs[:4]:
            found += _plane_gains(_pair_cells(high, bench.open_source), low)
    if len(found) < 4:
        return None
    gains = np.array([gain for gain, _ in found])
    return float(np.median(gains)), _median_error(gains, float(np.median([e for _, e in found])))


def read_noise_adu(biases: Sequence[Group], light: RawFrame, bench: Bench) -> tuple[float, float] | None:
    """Read noise and its error in ADU, from pairs of bias frames (or darks of at most 2 s) of the lights' gain."""
    values = []
    for group in _unlit(biases, light):
        for pair in _pairs(group.frames)[:4]:
            for step, four in _pair_cells(pair, bench.open_source):
                noises = [pair_read_noise(cells, step or 0.0) for cells in four]
                values += [noise for noise in noises if noise is not None]
    return (float(np.median(values)), _median_error(np.array(values))) if values else None


def cut_off(biases: Sequence[Group], light: RawFrame, bench: Bench) -> tuple[float, float] | None:
    """Where the digitiser cuts off the noise of the frames that would tell it, which then tell neither level nor noise.

    The lowest value, ADU, and the share of samples that would be below it; None where nothing is cut off.
    """
    for group in _unlit(biases, light):
        seen = [look(frame, bench.open_source) for frame in group.frames[:_LOOKS]]
        share = float(np.median([one.cut for one in seen]))
        if share > CUT_OFF:
            return min(one.least for one in seen), share
    return None


def _unlit(biases: Sequence[Group], light: RawFrame) -> list[Group]:
    """Groups of bias frames, or of darks as short, that were taken with the gain of a light."""
    return [
        group
        for group in biases
        if len(group.frames) > 1 and (group.exposure_s or 0.0) <= 2.0 and _alike(group.frames[0], light)
    ]


def _median_error(values: FloatArray, least: float = 0.0) -> float:
    """One sigma of the median of values whose scatter is theirs, robustly (MAD), or at least ``least``.

    The median of n normal values scatters by sqrt(pi / 2) = 1.2533 times their mean (its efficiency is 2 / pi).
    """
    scatter = 1.4826 * float(np.median(np.abs(values - np.median(values))))
    return max(scatter, least) * 1.2533 / float(np.sqrt(len(values)))


def _plane_gains(high: Sequence[Patch], low: Sequence[Patch]) -> list[tuple[float, float]]:
    """Gain and error for each plane of each patch of one pair of flats and one of bias frames."""
    found = [
        pair_gain(flat, dark)
        for (_, flats), (_, darks) in zip(high, low, strict=True)
        for flat, dark in zip(flats, darks, strict=True)
    ]
    return [gain for gain in found if gain is not None]


def _light_pairs(lights: Sequence[RawFrame]) -> list[Pair]:
    """Up to eight pairs of successive lights of one night and exposure, spread evenly; else single lights."""
    ordered = sorted(lights, key=lambda f: (f.night or "", str(f.time or ""), str(f.path)))
    pairs: list[Pair] = [
        (a, b)
        for a, b in pairwise(ordered)
        if a.night == b.night and _alike(a, b) and _close(a.exposure_s, b.exposure_s)
    ]
    pairs = pairs or [(frame, None) for frame in ordered]
    if len(pairs) <= _PAIRS:
        return pairs
    return [pairs[i] for i in np.unique(np.linspace(0, len(pairs) - 1, _PAIRS).astype(int))]


def _with_stars(pairs: Sequence[Pair], open_source: OpenSource, threads: int) -> Sequence[Pair]:
    """Pairs whose lights all show stars, as far as most lights do; all pairs where they do not."""
    frames = {(f.path, f.hdu): f for pair in pairs for f in pair if f is not None}
    light = in_order(partial(_starlight, open_source=open_source), frames.values(), threads)
    shown = dict(zip(frames, light, strict=True))
    least = _STARLESS * float(np.percentile(list(shown.values()), 75))
    kept = [pair for pair in pairs if all(shown[f.path, f.hdu] >= least for f in pair if f is not None)]
    return kept if least >= 1.0 else pairs


def _starlight(frame: RawFrame, open_source: OpenSource) -> float:
    """Count of neighbouring groups of four samples that bright images of stars make stand out together."""
    total = 0.0
    for patch in patches(open_source(frame), 2):
        ny, nx = patch.shape[0] // 2 * 2, patch.shape[1] // 2 * 2
        light = patch[:ny, :nx].reshape(ny // 2, 2, nx // 2, 2).sum(axis=(1, 3))
        total += float(cell_noise(light, None, _cell_side(patch.shape)).stars[0])
    return total


def _pair_cells(pair: Pair, open_source: OpenSource) -> list[Patch]:
    """Cells of every patch of two exposures, or of one."""
    first, second = pair
    parts: list[Iterable[Float32Array | None]] = [patches(open_source(first))]
    parts.append(patches(open_source(second)) if second is not None else repeat(None))
    found = []
    for a, b in zip(*parts, strict=False):
        assert a is not None
        side, step = _cell_side(a.shape), quantisation_step(a)
        four = [
            cell_noise(a[y::2, x::2], None if b is None else b[y::2, x::2], side, step or 0.0)
            for y, x in np.ndindex(2, 2)
        ]
        found.append((step, four))
    return found


def _pairs(frames: Sequence[RawFrame]) -> list[tuple[RawFrame, RawFrame]]:
    return list(zip(frames[::2], frames[1::2], strict=False))


def _cell_side(shape: tuple[int, ...]) -> int:
    """Side of a cell: 32 samples, less on frames so small that they would hold too few."""
    return max(12, min(_SIDE, min(shape) // 8))


def _alike(a: RawFrame, b: RawFrame) -> bool:
    return (
        (a.ny, a.nx, a.binning) == (b.ny, b.nx, b.binning)
        and (a.gain_setting is None or b.gain_setting is None or a.gain_setting == b.gain_setting)
    )  # fmt: skip


def _close(a: float | None, b: float | None) -> bool:
    return a is None or b is None or abs(a - b) <= 0.02 * max(a, b)
