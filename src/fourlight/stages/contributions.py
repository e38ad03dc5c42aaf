"""Light and noise of every frame, plane and region, as the raw samples show them: the ground of all shares."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core import regionsums as part
from fourlight.core.trials import Trial, doubted
from fourlight.stages.geometry import FrameTable
from fourlight.stages.nights import left_out
from fourlight.stages.reference_sky import of_reference
from fourlight.stages.regions import Regions

__all__ = [
    "PER_CELL",
    "Ledger",
    "believed",
    "beside",
    "brought",
    "certainty",
    "colour_over",
    "detail",
    "ledger",
    "light",
    "ratios",
    "scatter",
    "strength",
    "with_shared",
]

Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

PER_CELL = 0.25
"""Samples of one plane for each pixel of the mosaic."""
UNLIKE, MISTAKEN = 0.1, 0.2
"""How far regions may differ in their variance over that of the noise model, and how far the model may be off: 1 to 19
per cent of twelve small lights (docs/decisions/0012)."""
SURE = 1.96
"""Errors of a normal deviate that hold 95 %."""
OF_THREES = 3.9
"""Relative variance of a mean of squared second differences, times their number: 2 (1 + 2 (4/6)^2 + 2 (1/6)^2)."""


@dataclass(frozen=True, slots=True)
class Ledger:
    """Signal and variance of the samples of every frame, plane and region; planes are R, G1, G2, B."""

    signal: Float64
    """(r, 4) mean light per pixel of the reference in the stack, above the sky. Of region "sky" it is the mean over the
    samples of all frames of the sky itself, as it was counted in each: no two frames have the same sky."""
    away: Float64
    """(f, 4, r) what a frame shows more than the stack; NaN where it does not cover the region."""
    variance: Float64
    """(f, 4, r) variance of one sample, as the noise model has it; of region "sky" in units of the frame."""
    even: Float64
    """(f, 4, r, 3) what neighbours in even light disagree about, what of it is expected, and their number."""
    cross: Float64
    """(f, 4, r) mean square of the fine detail that a frame and the other half both show."""
    weight: Float64
    """(f, 4, r) what a frame counts for: samples over their variance, but of region "sky" samples alone."""
    names: tuple[str, ...]
    """Of the regions."""
    shared: Float64 | None = None
    """(r, 4, 4) covariance of `signal` that all frames have in common, as by the sky under a region; None: none is
    known of."""


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
    signal = regions.signal[:, :4] * table.zoom**2
    shared = None if regions.shared is None else np.nan_to_num(regions.shared) * table.zoom**4
    if "sky" in regions.names:
        sky = regions.names.index("sky")
        away = away - np.nan_to_num(away[:, :, [sky]])
        if shared is not None:
            told = [r for r, name in enumerate(regions.names) if name not in ("sky", "stars")]
            shared[told] += of_reference(away[:, :, told], weight[:, :, told], weight[:, :, [sky]])
        weight[:, :, sky] = count[:, :, sky]
        variance[:, :, sky] *= table.scale**2
        own = np.where(count[:, :, sky] > 0, table.scale * signal[sky] + table.sky_more, np.nan)
        signal[sky] = _mean(weight[:, :, sky], own)
        away[:, :, sky] = own - signal[sky]
    seen = sums[..., part.RESIDUAL] - sums[..., part.GRAIN]
    even = np.stack([seen, sums[..., part.EXPECTED], sums[..., part.FLAT]], axis=-1)
    return Ledger(signal, away, variance, even, cross, weight, regions.names, shared)


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


def strength(found: Ledger, use: Bool) -> Float64:
    """(4, r) light whose square, times `certainty`, is what some of the frames say of the light together.

    Above the sky all frames see one light. Of the sky each sees its own, and what they say of it adds up frame by
    frame: then it is the root of the mean square, each frame by the inverse of its variance.
    """
    seen = light(found, use)
    if "sky" not in found.names:
        return seen
    sky = found.names.index("sky")
    own = found.signal[sky] + found.away[:, :, sky]
    with np.errstate(invalid="ignore", divide="ignore"):
        weight = np.where(_weight(found, use)[:, :, sky] > 0, 1 / found.variance[:, :, sky], 0.0)
    seen[:, sky] = np.sign(seen[:, sky]) * np.sqrt(_mean(weight, own**2))
    return seen


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
    trials = with_shared(
        found, left_out(nights, brought(found)[:, None], lambda use: _over_green(found, use)), _over_green
    )
    return {
        region: {name: trials[k][r] for k, name in enumerate(names)} for r, region in enumerate(found.names)
    }


def colour_over(found: Ledger, nights: Sequence[str | None], region: str, other: str) -> dict[str, Trial]:
    """``R_over_G`` and ``B_over_G`` of one region over those of another, both left out of the same nights or lights."""
    one, two = found.names.index(region), found.names.index(other)

    def estimate(given: Ledger, use: Bool) -> Float64:
        over = _over_green(given, use)[:2]
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(over[:, [one]] / over[:, [two]])

    weight = np.minimum(brought(found)[:, one], brought(found)[:, two])
    trials = left_out(nights, weight[:, None, None], lambda use: estimate(found, use))
    trials = with_shared(found, trials, estimate)
    return {name: trials[k][0] for k, name in enumerate(("R_over_G", "B_over_G"))}


def with_shared(
    found: Ledger, trials: list[list[Trial]], estimate: Callable[[Ledger, Bool], Float64]
) -> list[list[Trial]]:
    """Trials ``[k][r]`` of an estimate (k, r), wider by what the light of the stack is off by in all frames alike."""
    if found.shared is None:
        return trials
    every = np.ones(len(found.away), dtype=np.bool_)
    size = np.sqrt(np.diagonal(found.shared, axis1=1, axis2=2))
    power = np.zeros((len(trials), max(len(row) for row in trials)))
    for region in range(len(found.names)):  # what one is off by is not what another is
        slopes = []
        for plane in range(4):
            step = np.zeros(found.signal.shape)
            step[region, plane] = 0.1 * size[region, plane]
            up, down = (
                estimate(replace(found, signal=found.signal + sign * step), every) for sign in (1, -1)
            )
            with np.errstate(invalid="ignore", divide="ignore"):
                slopes.append(np.nan_to_num((up - down) / (2 * step[region, plane])))
        power += np.einsum("ikr,ij,jkr->kr", slopes, found.shared[region], slopes)
    error = np.sqrt(np.maximum(power, 0.0))
    return [
        [beside(trial, float(error[k, r])) for r, trial in enumerate(row)] for k, row in enumerate(trials)
    ]


def beside(trial: Trial, error: float) -> Trial:
    """A trial with an independent error that is known itself, whose half width is added in square.

    By Student's t of three nights it would count for twice as much as it is.
    """
    if error == 0:
        return trial
    both = doubted(trial, error)
    if not np.isfinite(both.error):
        return both
    half = float(np.hypot((trial.high - trial.low) / 2, SURE * error))
    return replace(both, low=trial.value - half, high=trial.value + half)


def _over_green(found: Ledger, use: Bool) -> Float64:
    """(3, r) R over G, B over G and G1 over G2 of some of the frames; NaN where there is no light in the other."""
    red, first, second, blue = light(found, use)
    green = (first + second) / 2
    with np.errstate(invalid="ignore", divide="ignore"):
        over = np.stack([red / green, blue / green, first / second])
    return np.asarray(np.where(np.minimum(green, second) > 0, over, np.nan))
