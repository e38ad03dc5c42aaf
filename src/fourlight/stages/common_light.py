"""What the channels have in common: structure that several of them show, and light that their filters share."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import COLOURS
from fourlight.core.trials import Trial, jackknife, trial_of
from fourlight.sensor import sensors
from fourlight.sensor.response import WAVE_NM
from fourlight.stages.canvas import bands
from fourlight.stages.regions import Regions

__all__ = ["common_structure", "crosstalk", "shared"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

BLOCKS = 4
"""Parts of the stack along each axis; a region is left out of one after the other."""
FEWEST_PIXELS = 500
"""Of a region, from which anything is told."""


@dataclass(frozen=True, slots=True)
class _Moments:
    """Sums over the pixels of each block: number, values (6,) and products (6, 6) of both halves of three colours."""

    count: Float64
    first: Float64
    second: Float64

    def covariance(self, use: npt.NDArray[np.bool_]) -> Float64:
        """(3, 3) of the colours; noise drops out, for each product is of one half and the other."""
        count, first = self.count[use].sum(), self.first[use].sum(axis=0)
        joint = self.second[use].sum(axis=0) / max(count, 1.0)
        mean = first / max(count, 1.0)
        full = joint - np.outer(mean, mean)
        cross = full[:3, 3:]
        return np.asarray((cross + cross.T) / 2)


def common_structure(read: Callable[[str, str], Float32], regions: Regions) -> dict[str, dict[str, Trial]]:
    """Share of the structure of green that red, blue, or both show too, in each region.

    Structure is how light differs from place to place. A share of 1 says that green shows nothing that the others do
    not; it says nothing of noise, which is left out of all of it.

    Parameters
    ----------
    read : callable
        A layer (ny, nx) of a plane of the stack.
    regions : Regions

    Returns
    -------
    dict
        ``[region]["R" | "B" | "R and B"]``, squared correlations (coefficients of determination), with intervals from
        leaving out one part of the region after the other. Values of one colour are below 0 as often as above it where
        nothing is shared; that of both is never less than that of either.
    """
    out = {}
    for r, name in enumerate(regions.names):
        if name == "sky" or regions.pixels[r] < FEWEST_PIXELS:
            continue
        moments = _moments(read, regions.labels, r)
        filled = np.flatnonzero(moments.count > 0)
        red, blue, both = (_told(moments, filled, others) for others in ("R", "B", "R and B"))
        out[name] = {"R": red, "B": blue, "R and B": _no_less(both, red, blue)}
    return out


def _no_less(both: Trial, *alone: Trial) -> Trial:
    """A mixture shows at least what each of its parts shows, whatever was taken off for the errors of both."""
    if not all(np.isfinite(trial.value) for trial in (both, *alone)):
        return both
    value, high = (max(getattr(trial, end) for trial in (both, *alone)) for end in ("value", "high"))
    return replace(both, value=value, high=high)


def _told(moments: _Moments, filled: npt.NDArray[np.int64], others: str) -> Trial:
    colours = [COLOURS.index(c) for c in others.split(" and ")]
    every = np.isin(np.arange(len(moments.count)), filled)
    whole = shared(moments.covariance(every), colours)
    less = [every & (np.arange(every.size) != block) for block in filled]
    without = np.array([shared(moments.covariance(use), colours) for use in less]).reshape(-1, len(colours))
    return _squared(whole, without)


def _squared(whole: Float64, without: Float64) -> Trial:
    """Square of the length of a vector that is known from parts, with its interval.

    The square is too large by the variance of the vector, which is taken off. Where the vector is as short as its
    error, the square is no measure of its own error, nor are squares that are cut at zero; the length along the vector
    is.

    Parameters
    ----------
    whole : (n,) float64
    without : (k, n) float64
        The vector without each of the parts.
    """
    length = float(np.linalg.norm(whole))
    along = whole / length if length > 0 else np.full(whole.size, np.nan)
    trial = jackknife(length, without @ along)
    if not np.isfinite(trial.error):
        return trial_of(float("nan"), np.inf, 0.0)
    off = without - without.mean(axis=0)
    variance = float((len(off) - 1) / len(off) * (off**2).sum())
    reach, across = (trial.high - trial.low) / 2, max(variance - trial.error**2, 0.0)
    middle = float(np.sqrt(max(length**2 - across, 0.0)))
    low, high = max(middle - reach, 0.0) ** 2, (middle + reach) ** 2
    return Trial(length**2 - variance, low, high, trial.p, 2 * length * trial.error, trial.freedom)


def shared(covariance: Float64, others: list[int]) -> Float64:
    """(n,) what green (1) has in common with other colours made unlike each other and of one size, as correlations.

    The sum of their squares is the share of green's variance that a linear mixture of the others gives. NaN where green
    or the others have no structure.

    >>> (shared(np.array([[4.0, 2, 0], [2, 2, 1], [0, 1, 2]]), [0]) ** 2).round(6).tolist()
    [0.5]
    """
    size, axes = np.linalg.eigh(covariance[np.ix_(others, others)])
    if covariance[1, 1] <= 0 or size.min() <= 0:
        return np.full(len(others), np.nan)
    alike = (axes / np.sqrt(size)) @ axes.T
    return np.asarray(alike @ covariance[others, 1] / np.sqrt(covariance[1, 1]))


def _moments(read: Callable[[str, str], Float32], labels: npt.NDArray[np.uint16], region: int) -> _Moments:
    ny, nx = labels.shape
    layers = [read(c, f"value_{half}") for half in "ab" for c in COLOURS]
    column = np.arange(nx) * BLOCKS // nx
    moments = _Moments(np.zeros(BLOCKS**2), np.zeros((BLOCKS**2, 6)), np.zeros((BLOCKS**2, 6, 6)))
    middle = np.array([_middle(layer[:: max(1, ny // 64)]) for layer in layers])
    for rows in bands(labels.shape):
        here = (labels[rows] >> region & 1).astype(bool)
        values = np.stack([layer[rows][here] for layer in layers]).astype(np.float64) - middle[:, None]
        y, x = np.nonzero(here)
        block = (y + rows.start) * BLOCKS // ny * BLOCKS + column[x]
        good = np.isfinite(values).all(axis=0)
        for k in np.unique(block[good]):
            part = values[:, good & (block == k)]
            moments.count[k] += part.shape[1]
            moments.first[k] += part.sum(axis=1)
            moments.second[k] += part @ part.T
    return moments


def _middle(rows: Float32) -> float:
    """Median of the samples of some rows, so that sums of squares keep their digits; any number does."""
    known = rows[np.isfinite(rows)]
    return float(np.median(known)) if known.size else 0.0


def crosstalk() -> Mapping[str, tuple[float, float]]:
    """Share of each channel's response that lies where another channel responds more, of known sensors least and most.

    To light of as many photons at every wavelength, without a narrow filter. The camera's own curve is not known here:
    the range over the published ones whose colours share a scale stands for it.

    >>> low, high = crosstalk()["G"]
    >>> bool(0.0 < low <= high < 0.5)
    True
    """
    found = []
    for name in sensors.SENSORS:
        known = sensors.sensor(name)
        if known.scale == "by colour":
            continue
        curves = known.at(WAVE_NM)
        leads = curves.argmax(axis=0)
        found.append([1 - float(curve[leads == c].sum() / curve.sum()) for c, curve in enumerate(curves)])
    low, high = np.min(found, axis=0), np.max(found, axis=0)
    return {c: (float(low[k]), float(high[k])) for k, c in enumerate(COLOURS)}
