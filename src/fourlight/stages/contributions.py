"""What each channel of the mosaic contributed to a region: four different things, each frame by frame.

Electrons are what was counted, luminance is what the eye makes of the balanced picture, information is what fixes the
light (its signal-to-noise ratio squared), and detail is the information on what varies within a few pixels. A channel
may lead in one and trail in another; they are never mixed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from fourlight.core import regionsums as part
from fourlight.core.colour import LUMINANCE_WEIGHTS
from fourlight.core.trials import Trial
from fourlight.stages.geometry import FrameTable
from fourlight.stages.nights import left_out
from fourlight.stages.regions import Regions

__all__ = ["CHANNELS", "KINDS", "Ledger", "believed", "ledger", "ratios", "shares"]

Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

KINDS = ("electrons", "luminance", "information", "detail")
CHANNELS = ("R", "G", "G1", "G2", "B")
"""R, G and B are the whole; G1 and G2 are the parts of G."""
PER_CELL = 0.25
"""Samples of one plane for each pixel of the mosaic."""
UNLIKE = 0.1
"""How far regions may differ in their variance over that of the noise model."""
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

    A region of few samples takes over what all of them show.
    """
    seen, expected, count = np.moveaxis((found.even if use is None else found.even[use]).sum(axis=0), -1, 0)

    def ratio(one: Float64, other: Float64) -> Float64:
        with np.errstate(invalid="ignore", divide="ignore"):
            known = one / other
        return np.where(np.isfinite(known) & (known > 0), known, 1.0)

    together = ratio(seen.sum(axis=1), expected.sum(axis=1))[:, None]
    trust = UNLIKE**2 / (UNLIKE**2 + OF_THREES / np.maximum(count, 1.0))
    return np.asarray(together + trust * (ratio(seen, expected) - together))


def _of_frames(found: Ledger, use: Bool, kind: str, balance: Float64) -> Float64:
    """(4, r) what the planes contributed in some of the frames; of luminance per frame, of the rest in all."""
    light, weight = _light(found, use), _weight(found, use)
    if kind == "electrons":
        return np.asarray(PER_CELL * light)
    if kind == "luminance":
        red, green, blue = LUMINANCE_WEIGHTS * balance
        return np.array([red, green / 2, green / 2, blue])[:, None] * light
    power = _mean(weight, found.cross) if kind == "detail" else np.maximum(light, 0.0) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        certain = np.where(weight > 0, 1 / (found.variance * believed(found, use)), 0.0).sum(axis=0)
    return np.asarray(PER_CELL * power * certain)


def _light(found: Ledger, use: Bool) -> Float64:
    """(4, r) mean light per sample in some of the frames."""
    return np.asarray(found.signal.T + _mean(_weight(found, use), found.away))


def _weight(found: Ledger, use: Bool) -> Float64:
    return np.where(use[:, None, None] & np.isfinite(found.away), found.weight, 0.0)


def _mean(weight: Float64, values: Float64) -> Float64:
    total = np.maximum(weight.sum(axis=0), 1e-30)
    return np.asarray(np.where(weight > 0, weight * values, 0.0).sum(axis=0) / total)


def _as_shares(planes: Float64) -> Float64:
    """(5, r) shares of R, G, G1, G2, B of what the planes (4, r) contributed; NaN where that is nothing."""
    red, first, second, blue = np.maximum(planes, 0.0)
    total = red + first + second + blue
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(
            np.stack([red, first + second, first, second, blue]) / np.where(total > 0, total, np.nan)
        )


def shares(
    found: Ledger, nights: Sequence[str | None], balance: Float64
) -> dict[str, dict[str, dict[str, Trial]]]:
    """Share of each channel by kind and region.

    Parameters
    ----------
    found : Ledger
    nights : sequence of str or None
        Night of each frame; frames are in time order.
    balance : (3,) float64
        Factors that make what is taken as white equal in R, G and B.

    Returns
    -------
    dict
        ``[kind][region][channel]``. Intervals are for nights like these from three nights on, by leaving one night
        out after the other; else for these frames, by leaving out one frame after the other, neighbours allowed to
        have something in common.
    """
    out: dict[str, dict[str, dict[str, Trial]]] = {}
    for kind in KINDS:
        trials = left_out(nights, partial(_shares_of, found, kind=kind, balance=balance))
        out[kind] = {
            region: {channel: trials[c][r] for c, channel in enumerate(CHANNELS)}
            for r, region in enumerate(found.names)
        }
    return out


def _shares_of(found: Ledger, use: Bool, kind: str, balance: Float64) -> Float64:
    return _as_shares(_of_frames(found, use, kind, balance))


def ratios(found: Ledger, nights: Sequence[str | None]) -> dict[str, dict[str, Trial]]:
    """Light of one channel over that of another, per sample, by region: R_over_G, B_over_G and G1_over_G2.

    NaN where there is no light in the other. Intervals as in `shares`.
    """
    names = ("R_over_G", "B_over_G", "G1_over_G2")

    def estimate(use: Bool) -> Float64:
        red, first, second, blue = _light(found, use)
        green = (first + second) / 2
        with np.errstate(invalid="ignore", divide="ignore"):
            over = np.stack([red / green, blue / green, first / second])
            return np.asarray(np.where(np.minimum(green, second) > 0, over, np.nan))

    trials = left_out(nights, estimate)
    return {
        region: {name: trials[k][r] for k, name in enumerate(names)} for r, region in enumerate(found.names)
    }
