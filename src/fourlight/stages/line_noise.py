"""Whether the noise that is claimed of lines is that which the half stacks show."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import COLOURS
from fourlight.core.unmix import gain_of
from fourlight.stages.canvas import bands
from fourlight.stages.line_kinds import Telling
from fourlight.stages.region_samples import StackReader

__all__ = ["noise_over_claim"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

BLOCKS = (8, 16, 32)
"""Sides of blocks, pixels."""
FEWEST = 40
"""Blocks from which their scatter is told: known to 11 %."""
CLIPPED = 4.0
"""Scatter beyond which a pair of blocks does not count; of chance 6 in 100 000 lie there."""
HELD = 0.9
"""Part of a block that must count."""


def noise_over_claim(
    layers: StackReader, telling: Telling, variance: Float64, hidden: Bool
) -> dict[str, dict[str, float | None]]:
    """Scatter of blocks in the difference of both halves over what their variances say, by line and side of the blocks.

    Light of the sky and of the object is the same in both halves, so that their difference is noise. Levels that change
    over the field more slowly than some blocks are not noise of pixels: neighbouring blocks are compared.

    Parameters
    ----------
    layers : StackReader
    telling : Telling
    variance : (c,) float64
        Usual variance of the channels.
    hidden : (ny, nx) bool
        Pixels that do not count: near stars, whose width differs between halves, and uncovered ones.
    """
    gain = gain_of(telling.matrix / telling.units, variance)[:, : len(COLOURS)]
    places = [(name, telling.columns.index(name)) for name in telling.lines]
    chosen = [(name, gain[k]) for name, k in places if telling.seats[k] == 0]
    out: dict[str, dict[str, float | None]] = {}
    for name, shares in chosen:
        away, claimed = _halved(layers, shares, hidden)
        out[name] = {str(side): _ratio(away, claimed, side) for side in BLOCKS}
    return out


def _halved(layers: StackReader, shares: Float64, hidden: Bool) -> tuple[Float32, Float32]:
    """Half the difference of a line between the halves, and the variance that it should have."""
    away, claimed = (np.zeros(hidden.shape, dtype=np.float32) for _ in range(2))
    for rows in bands(hidden.shape):
        for channel, share in zip(COLOURS, shares, strict=True):
            one, other = (layers.read(channel, f"value_{half}")[rows] for half in "ab")
            away[rows] += np.float32(0.5 * share) * (one - other)
            first, second = (layers.read(channel, f"variance_{half}")[rows] for half in "ab")
            claimed[rows] += np.float32(0.25 * share**2) * (first + second)
        away[rows][hidden[rows]] = np.nan
    return away, claimed


def _ratio(away: Float32, claimed: Float32, side: int) -> float | None:
    """Scatter of neighbouring blocks over the claim; None where there are too few."""
    ny, nx = (length // side * side for length in away.shape)
    cut = (ny // side, side, nx // side, side)
    known = np.isfinite(away[:ny, :nx]) & np.isfinite(claimed[:ny, :nx])
    count = known.reshape(cut).sum(axis=(1, 3))
    light, power = (
        np.where(known, part[:ny, :nx], 0).reshape(cut).sum(axis=(1, 3), dtype=np.float64)
        for part in (away, claimed)
    )
    full = count >= HELD * side**2
    mean, expected = light / np.maximum(count, 1), power / np.maximum(count, 1) ** 2
    pairs = full[:, :-1] & full[:, 1:]
    if pairs.sum() < FEWEST:
        return None
    step = (mean[:, 1:] - mean[:, :-1])[pairs] / np.sqrt((expected[:, 1:] + expected[:, :-1])[pairs])
    # a few blocks hold what is left of a star
    usual = 1.4826 * float(np.median(np.abs(step)))
    return float(np.sqrt(np.mean(np.square(step[np.abs(step) <= CLIPPED * usual]))))
