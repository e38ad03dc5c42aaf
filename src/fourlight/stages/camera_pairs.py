"""From pairs of frames to points: level and scatter of every region, pair by pair so that memory stays bounded."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from fourlight.core.cutoff import cut_share
from fourlight.core.noise import quantisation_step
from fourlight.core.pairregions import Regions, edges, joined, light_variance, pair_band
from fourlight.core.regionerror import Measured, ratio_of_sums, scattered
from fourlight.core.rounded import COARSE, counts_of_pairs, rounded_noise
from fourlight.engine import in_order
from fourlight.frames import RawFrame
from fourlight.stages.camera_frames import Pair
from fourlight.stages.masters import OpenSource, patches

__all__ = ["Dark", "Look", "Points", "dark_of", "flat_points", "look", "regions_of", "variance_of"]

FloatArray = npt.NDArray[np.float64]
Step = Callable[[], None]

STRIPES = 8
"""Stripes of rows that are left out one by one where noise is told by counts."""
PILE = 0.005
"""Share of the samples of a place at the highest value of the frame, from which that is where samples are full; at its
lowest one, from which samples may be cut off there (of normal noise, that is 1 % of its variance)."""


@dataclass(frozen=True, slots=True)
class Look:
    """A first look at a frame, from patches spread over it."""

    level: FloatArray
    """(4,) mean level of each place, ADU."""
    step: float
    """Step of the digitiser, ADU."""
    full: float
    """Highest value, where so many samples have it that they must be full; else inf."""
    least: float
    """Lowest value, ADU."""
    cut: float
    """Share of samples that would be lower, were they not cut off there; that of the place with most."""
    mark: str
    """The same for two frames only if one is a copy of the other."""


@dataclass(frozen=True, slots=True)
class Dark:
    """Bias frames: what a sample holds without light. Arrays are (4, r): places and regions."""

    level: FloatArray
    """ADU."""
    variance: FloatArray
    """Temporal variance of one sample, rounding included, ADU^2."""
    noise: tuple[Measured, ...]
    """Per place, standard deviation without rounding, ADU."""
    step: float
    coarse: bool
    """Whether rounding rules the scatter, so that noise is told by counts of values."""
    pairs: int


@dataclass(frozen=True, slots=True)
class Points:
    """The photon transfer curve; arrays are (p, 4, r): pairs, places, regions."""

    level: FloatArray
    """Above no light, ADU."""
    light: FloatArray
    """Temporal variance that the light gives a sample, ADU^2."""
    count: FloatArray
    full: FloatArray
    """Share of full samples."""
    group: npt.NDArray[np.int64]
    """(p,) number of the list that a pair is of."""


def look(frame: RawFrame, open_source: OpenSource) -> Look:
    """Levels, step and full samples of a frame."""
    parts = list(patches(open_source(frame)))
    values = [np.concatenate([p[y::2, x::2].ravel() for p in parts]) for y in range(2) for x in range(2)]
    values = [part[np.isfinite(part)] for part in values]
    level = np.array([part.mean(dtype=np.float64) if part.size else np.nan for part in values])
    top = max((float(part.max()) for part in values if part.size), default=np.inf)
    piled = any(part.size and np.mean(part >= top) > PILE and np.ptp(part) > 4 for part in values)
    steps = [quantisation_step(part[::2, ::2]) for part in parts]
    step = min((each for each in steps if each is not None), default=0.0)
    least = min((float(part.min()) for part in values if part.size), default=np.nan)
    piled_low = (part for part in values if part.size and np.mean(part <= part.min()) > PILE)
    cut = max((cut_share(part, step) for part in piled_low), default=0.0)
    mark = hashlib.sha256(b"".join(part.tobytes() for part in parts[:2])).hexdigest()
    return Look(level, step, top if piled else np.inf, least, cut, mark)


def regions_of(
    pair: Pair, open_source: OpenSource, zero: FloatArray, full: float, *, scaled: bool
) -> Regions:
    """Regions of two frames, read one row of regions at a time; see `fourlight.core.pairregions.pair_band`."""
    first, second = (open_source(frame) for frame in pair)
    ny, nx = first.shape
    rows, columns = edges(ny), edges(nx)
    found = []
    for y0, y1 in itertools.pairwise(rows):
        a, b = (source.read(int(y0), int(y1), 0, nx) for source in (first, second))
        found.append(pair_band(a, b, columns, zero, full, scaled))
    return joined(found)


def dark_of(pairs: Sequence[Pair], open_source: OpenSource, step: float, threads: int, done: Step) -> Dark:
    """Level and noise without light, from pairs of bias frames."""
    work = partial(regions_of, open_source=open_source, zero=np.zeros(4), full=np.inf, scaled=False)
    found = []
    for regions in in_order(work, pairs, threads):
        found.append(regions)
        done()
    level = np.mean([(r.first + r.second) / 2 for r in found], axis=0)
    variance, each = variance_of(found)
    share = step**2 / 12
    if step and np.sqrt(min(part.value for part in each)) < COARSE * step:
        noise = _counted_noise(pairs, open_source, step, threads)
        flat = np.array([part.value**2 + share for part in noise])[:, None]
        return Dark(level, np.broadcast_to(flat, level.shape), noise, step, True, len(pairs))
    return Dark(level, variance, tuple(_noise_of(part, share) for part in each), step, False, len(pairs))


def _noise_of(variance: Measured, rounding: float) -> Measured:
    value = float(np.sqrt(max(variance.value - rounding, 0.0)))
    return Measured(value, variance.error / (2 * max(value, variance.error**0.5)), variance.excess)


def variance_of(found: Sequence[Regions]) -> tuple[FloatArray, list[Measured]]:
    """Temporal variance of one sample from pairs that are not scaled: of each region (4, r), and of each place."""
    spread = np.array([r.spread / 2 for r in found])
    count = np.array([np.where(np.isfinite(r.spread), r.count, 0.0) for r in found])
    filled = np.where(count > 0, spread, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = (count * filled).sum(axis=0) / count.sum(axis=0)
        each = (count * filled).sum(axis=2) / count.sum(axis=2)
        errors = each * np.sqrt(2 / count.sum(axis=2))
    measured = []
    for place in range(4):
        whole = ratio_of_sums((count * filled).sum(axis=0)[place], count.sum(axis=0)[place])
        measured.append(scattered(each[:, place], errors[:, place], whole))
    return variance, measured


def _counted_noise(
    pairs: Sequence[Pair], open_source: OpenSource, step: float, threads: int
) -> tuple[Measured, ...]:
    """Noise of each place (ADU) by the counts of pairs of values, with the jackknife over stripes of rows."""
    first = open_source(pairs[0][0])
    whole = first.read(0, min(first.shape[0], 512), 0, first.shape[1])
    middles = [
        float(np.nanpercentile(whole[y::2, x::2], 50, method="nearest")) for y in range(2) for x in range(2)
    ]
    work = partial(_counts, open_source=open_source, middles=middles, step=step)
    counts = sum(in_order(work, pairs, threads))  # (stripes, 4, values, values)
    assert isinstance(counts, np.ndarray)
    return tuple(_by_counts(counts[:, place], step) for place in range(4))


def _counts(
    pair: Pair, open_source: OpenSource, middles: Sequence[float], step: float
) -> npt.NDArray[np.int64]:
    first, second = (open_source(frame) for frame in pair)
    ny, nx = first.shape
    rows = edges(ny)
    out = []
    for y0, y1 in itertools.pairwise(rows):
        a, b = (source.read(int(y0), int(y1), 0, nx) for source in (first, second))
        out.append(
            [
                counts_of_pairs(a[k // 2 :: 2, k % 2 :: 2], b[k // 2 :: 2, k % 2 :: 2], middles[k], step)
                for k in range(4)
            ]
        )
    return np.array(out)


def _by_counts(counts: npt.NDArray[np.int64], step: float) -> Measured:
    """Noise (ADU) from counts (stripes, values, values)."""
    total = counts.sum(axis=0)
    whole = rounded_noise(total)
    if whole is None:
        return Measured(0.0, 0.3 * step)
    parts = np.array([part.sum(axis=0) for part in np.array_split(counts, min(STRIPES, len(counts)))])
    n = len(parts)
    left = np.array([rounded_noise(total - part, whole) or 0.0 for part in parts])
    error = float(np.sqrt((n - 1) / n * ((left - left.mean()) ** 2).sum())) if n > 1 else np.inf
    return Measured(step * whole, step * error)


def flat_points(
    groups: Sequence[Sequence[Pair]],
    open_source: OpenSource,
    dark: Dark,
    full: float,
    threads: int,
    done: Step,
) -> Points:
    """Points of the photon transfer curve from pairs of flats."""
    zero = np.nanmean(dark.level, axis=1)
    work = partial(regions_of, open_source=open_source, zero=zero, full=full, scaled=True)
    pairs = [(number, pair) for number, group in enumerate(groups) for pair in group]
    level, light, count, share = [], [], [], []
    for regions in in_order(work, [pair for _, pair in pairs], threads):
        above, variance = light_variance(regions, dark.level, dark.variance)
        level.append(above)
        light.append(variance)
        count.append(np.where(np.isfinite(variance), regions.count, 0.0))
        share.append(regions.full)
        done()
    number = np.array([number for number, _ in pairs])
    return Points(np.array(level), np.array(light), np.array(count), np.array(share), number)
