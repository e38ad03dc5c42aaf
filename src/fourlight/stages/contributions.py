"""Light and noise of every frame, plane and region, as the raw samples show them: the ground of all shares."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core import regionsums as part
from fourlight.core.trials import Trial
from fourlight.stages.geometry import FrameTable
from fourlight.stages.nights import left_out
from fourlight.stages.regions import Regions

__all__ = [
    "PER_CELL",
    "Ledger",
    "believed",
    "brought",
    "certainty",
    "colour_over",
    "detail",
    "ledger",
    "light",
    "ratios",
    "scatter",
]

Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

PER_CELL = 0.25
"""Samples of one plane for each pixel of the mosaic."""
UNLIKE, MISTAKEN = 0.1, 0.2
"""How far regions may differ in their variance over that of the noise model, and how far the model may be off: 1 to 19
per cent of twelve small lights (docs/decisions/0012)."""
OF_THREES = 3.9
"""Relative variance of a mean of squared second differences, times their number: 2 (1 + 2 (4/6)^2 + 2 (1/6)^2)."""


@dataclass(frozen=True, slots=True)
class Ledger:
    """Signal and variance of the samples of every frame, plane and region; planes are R, G1, G2, B."""

    signal: Float64
    """(r, 4) mean light per pixel of the reference in the stack, above the sky; of the sky itself in region "sky"."""
    away: Float64
    """(f, 4, r) what a frame shows more than the stack; NaN where it does not cover the region."""
    variance: Float64
    """(f, 4, r) variance of one sample, as the noise model has it."""
    even: Float64
    """(f, 4, r, 3) what neighbours in even light disagree about, what of it is expected, and their number."""
    cross: Float64
    """(f, 4, r) mean square of the fine detail that a frame and the other half both show."""
    weight: Float64
    """(f, 4, r) samples over their variance: what a frame counts for."""
    names: tuple[str, ...]
    """Of the regions."""


def ledger(sums: Float64, regions: Regions, table: FrameTable) -> Ledger:
    """Put the sums of `fourlight.stages.region_samples.gathered` together.

    Parameters
    ----------
    sums : (f, 4, r, PARTS) float64
    regions : Regions
    table : FrameTable
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        count = sums[..., part.COUNT]
        away = sums[..., part.DEVIATION] / count
        variance = sums[..., part.VARIANCE] / count
        cross = sums[..., part.CROSS] / count
        weight = np.nan_to_num(count / variance)
    if "sky" in regions.names:
        sky = away[:, :, [regions.names.index("sky")]]
        own = np.arange(len(regions.names)) == regions.names.index("sky")
        away = np.where(own, _sky_beside(table)[:, :, None], away - np.nan_to_num(sky))
    signal = regions.signal[:, :4] * table.zoom**2
    seen = sums[..., part.RESIDUAL] - sums[..., part.GRAIN]
    even = np.stack([seen, sums[..., part.EXPECTED], sums[..., part.FLAT]], axis=-1)
    return Ledger(signal, away, variance, even, cross, weight, regions.names)


def _sky_beside(table: FrameTable) -> Float64:
    """(f, 4) sky of each frame over that of the stack, mean over the frame, in light of the reference."""
    powers = np.array([[0.0 if n % 2 else 1 / (n + 1) for n in pair] for pair in table.terms.tolist()])
    return np.asarray((table.sky * powers.prod(axis=1)).sum(axis=2) / table.scale)


def believed(found: Ledger, use: Bool | None = None) -> Float64:
    """(4, r) variance of samples over that of the noise model, as the neighbours in some of the frames show it.

    A region of few samples takes over what all of them show, and few in all what the model says. NaN where a plane has
    no sample in the region, or nowhere any neighbours in even light.
    """
    some = slice(None) if use is None else use
    seen, expected, count = np.moveaxis(found.even[some].sum(axis=0), -1, 0)
    together = _towards(1.0, seen.sum(axis=1), expected.sum(axis=1), count.sum(axis=1), MISTAKEN)[:, None]
    together[~(count.sum(axis=1) > 0)] = np.nan
    there = (_weight(found)[some] > 0).any(axis=0)
    return np.where(there, _towards(together, seen, expected, count, UNLIKE), np.nan)


def _towards(
    guess: Float64 | float, seen: Float64, expected: Float64, count: Float64, unlike: float
) -> Float64:
    """A ratio of variances from so many second differences, held by a guess that may be off by so much."""
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = seen / expected
    trust = unlike**2 / (unlike**2 + OF_THREES / np.maximum(count, 1.0))
    return np.asarray(guess + np.where(np.isfinite(ratio) & (ratio > 0), trust * (ratio - guess), 0.0))


def light(found: Ledger, use: Bool) -> Float64:
    """(4, r) mean light per sample in some of the frames; NaN where none of them has a sample."""
    return np.asarray(found.signal.T + _mean(_weight(found, use), found.away))


def detail(found: Ledger, use: Bool) -> Float64:
    """(4, r) mean square of the fine detail, which noise makes negative as often as positive where there is none."""
    return _mean(_weight(found, use), found.cross)


def certainty(found: Ledger, use: Bool) -> Float64:
    """(4, r) sum over some of the frames of 1 over the variance of a sample, of all samples of one pixel.

    Where no neighbours tell the variance, it is that of the noise model.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        each = 1 / (found.variance * np.nan_to_num(believed(found, use), nan=1.0))
    return np.asarray(PER_CELL * np.where(_weight(found, use) > 0, each, 0.0).sum(axis=0))


def scatter(found: Ledger, nights: Sequence[str | None]) -> Float64:
    """(4, r) variance of `light` of all frames, as frames of one night differ among each other."""
    weight, total = _weight(found), np.zeros(found.signal.T.shape)
    label = np.array([name or "" for name in nights])
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.nan_to_num(weight / weight.sum(axis=0))
        for name in np.unique(label):
            own = label == name
            off = np.where(share[own] > 0, found.away[own] - _mean(weight[own], found.away[own]), 0.0)
            count = (share[own] > 0).sum(axis=0)
            total += (share[own] ** 2 * off**2).sum(axis=0) * np.where(count > 1, count / (count - 1.0), 0.0)
    return total


def brought(found: Ledger) -> Float64:
    """(f, r) share of each frame in what all of them say of a region; 0 where a plane has no sample of it."""
    weight = _weight(found)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.nan_to_num(weight / weight.sum(axis=0)).mean(axis=1)
    return np.where((weight > 0).all(axis=1), share, 0.0)


def _weight(found: Ledger, use: Bool | None = None) -> Float64:
    """(f, 4, r) what frames count for; 0 where they have no sample, or are not used."""
    known = np.isfinite(found.away)
    return np.where(known if use is None else known & use[:, None, None], found.weight, 0.0)


def _mean(weight: Float64, values: Float64) -> Float64:
    total = weight.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(weight > 0, weight * values, 0.0).sum(axis=0) / total
    return np.asarray(np.where(total > 0, mean, np.nan))


def ratios(found: Ledger, nights: Sequence[str | None]) -> dict[str, dict[str, Trial]]:
    """Light of one channel over that of another, per sample, by region: R_over_G, B_over_G and G1_over_G2.

    NaN where there is no light in the other. Intervals are those of `fourlight.stages.nights.left_out`.
    """
    names = ("R_over_G", "B_over_G", "G1_over_G2")
    trials = left_out(nights, brought(found)[:, None], lambda use: _over_green(found, use))
    return {
        region: {name: trials[k][r] for k, name in enumerate(names)} for r, region in enumerate(found.names)
    }


def colour_over(found: Ledger, nights: Sequence[str | None], region: str, other: str) -> dict[str, Trial]:
    """``R_over_G`` and ``B_over_G`` of one region over those of another, both left out of the same nights or lights."""
    one, two = found.names.index(region), found.names.index(other)

    def estimate(use: Bool) -> Float64:
        over = _over_green(found, use)[:2]
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(over[:, [one]] / over[:, [two]])

    weight = np.minimum(brought(found)[:, one], brought(found)[:, two])
    trials = left_out(nights, weight[:, None, None], estimate)
    return {name: trials[k][0] for k, name in enumerate(("R_over_G", "B_over_G"))}


def _over_green(found: Ledger, use: Bool) -> Float64:
    """(3, r) R over G, B over G and G1 over G2 of some of the frames; NaN where there is no light in the other."""
    red, first, second, blue = light(found, use)
    green = (first + second) / 2
    with np.errstate(invalid="ignore", divide="ignore"):
        over = np.stack([red / green, blue / green, first / second])
    return np.asarray(np.where(np.minimum(green, second) > 0, over, np.nan))
