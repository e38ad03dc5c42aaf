"""Signal over noise of a stack that grows, of what it is told, and what more subs like the last ones would give."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from fourlight.core.cfa import COLOURS
from fourlight.core.neighbours import shared_by_neighbours
from fourlight.frames import StarList
from fourlight.stages.empty_sky import EmptySky, burnt_pixels, empty_sky, star_masks
from fourlight.stages.regions import LEAST_OBJECT

__all__ = ["Forecast", "Target", "forecast", "halves_noise", "signal_of", "target_in"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

RECENT = 40
"""Last subs that say what the next ones will be like."""
LEVEL = 0.95
BLOCK = 8
"""Pixels of a block on which halves are compared: neighbours share noise."""
ENOUGH_BLOCKS = 100
"""Pairs of blocks from which noise is told to 10 per cent."""
CLEAR = 10.0
"""Signal over noise of a star in the reference from which it may be the one that is told of."""


@dataclass(frozen=True, slots=True)
class Target:
    """What signal over noise is told of."""

    what: str
    """``object`` or ``star``."""
    signal: Float64
    """(3,) of R, G and B: mean light of the object per pixel of the stack, or all light of the star."""
    pixels: float
    """Of noise that the signal is held against: 1, or those of a star (its light weighted by its shape)."""

    def snr(self, variance: Float64) -> Float64:
        """Of stacks with these variances (..., 3) of a pixel: all colours, each weighted by what it tells."""
        with np.errstate(invalid="ignore", divide="ignore"):
            told = np.where(variance > 0, np.maximum(self.signal, 0.0) ** 2 / (self.pixels * variance), 0.0)
        return np.asarray(np.sqrt(told.sum(axis=-1)))


def target_in(
    read: Callable[[str, str], Float32], stars: StarList, full: Float64
) -> tuple[Target | None, float]:
    """What stands out of a stack: an object, else its middle star; and noise between the halves over that claimed.

    Parameters
    ----------
    read : callable
        A layer (ny, nx) of a plane of the stack.
    stars : StarList
        At places of the stack.
    full : (4,) float64
        Level of full samples on it.

    Returns
    -------
    Target or None
        None where nothing stands out.
    float
        NaN where there are no halves yet.
    """
    values = {c: read(c, "value") for c in COLOURS}
    covered = np.logical_and.reduce([np.isfinite(part) for part in values.values()])
    planes = {plane: read(plane, "value") for plane in ("R", "G1", "G2", "B")}
    hidden = star_masks(stars, values["G"].shape).near | burnt_pixels(planes, full) | ~covered
    sky = empty_sky(values, hidden)
    ratio = halves_noise(read, hidden)
    if np.count_nonzero(sky.above) >= LEAST_OBJECT:
        return Target("object", signal_of(sky), 1.0), ratio
    return _star(stars), ratio


def signal_of(sky: EmptySky) -> Float64:
    """(3,) mean light of the cells that show an object, above the sky under it."""
    found = []
    for colour in COLOURS:
        cells = sky.cells[colour]
        y, x = cells.centres()
        above = cells.level - sky.surfaces[colour].at(*np.meshgrid(y, x, indexing="ij"))
        found.append(float(np.nanmean(above[sky.above])))
    return np.array(found)


def _star(stars: StarList) -> Target | None:
    """The middle one of the clear stars; a Gaussian of width s holds the noise of 4 pi s^2 pixels (King 1983,
    PASP 95, 163)."""
    total = stars.flux.sum(axis=1)
    error = np.sqrt((stars.flux_error**2).sum(axis=1))
    clear = np.flatnonzero(~stars.saturated & (total > CLEAR * error) & np.isfinite(stars.fwhm_px))
    if not len(clear):
        return None
    one = clear[np.argsort(total[clear])[len(clear) // 2]]
    r, g1, g2, b = stars.flux[one]
    sigma = float(np.median(stars.fwhm_px[clear])) / 2.3548
    return Target("star", np.array([r, (g1 + g2) / 2, b]), 4 * np.pi * sigma**2)


def halves_noise(read: Callable[[str, str], Float32], hidden: npt.NDArray[np.bool_]) -> float:
    """Noise that the halves show between them on blocks beside stars over that which VAR says; of G.

    Blocks are held against their neighbours: what is smooth in the difference of the halves is sky, and no noise.
    """
    first, second = (read("G", f"value_{half}") for half in ("a", "b"))
    claimed = (read("G", "variance_a") + read("G", "variance_b")) / 4
    half = np.where(hidden, np.nan, (first - second) / 2)
    ny, nx = (length // BLOCK for length in half.shape)
    blocks, noise = (
        part[: ny * BLOCK, : nx * BLOCK].reshape(ny, BLOCK, nx, BLOCK).mean(axis=(1, 3))
        for part in (half, claimed)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        pull = blocks / np.sqrt(noise / BLOCK**2)
        apart = (pull[:, 1:] - pull[:, :-1]) / np.sqrt(2.0)
    known = apart[np.isfinite(apart)]
    return float(1.4826 * np.median(np.abs(known))) if len(known) >= ENOUGH_BLOCKS else float("nan")


@dataclass(frozen=True, slots=True)
class Forecast:
    """Signal over noise after some time more, with its interval, over what it is now."""

    subs: float
    ratio: float
    low: float
    high: float


def forecast(told: Sequence[float], gap_s: float, seconds: float) -> Forecast | None:
    """What more subs like the last ones would give.

    What subs tell of an even light adds up (its square over its variance), and so does the square of signal over noise.
    The interval is that of a sum of new subs where the last ones scatter as they do; neighbours that are alike count
    for fewer.

    Parameters
    ----------
    told : sequence of float
        What each sub so far tells; 0 where it was set aside.
    gap_s : float
        From one sub to the next.
    seconds : float
        How much longer.

    Examples
    --------
    A hundred even subs and three hundred more: twice the signal over noise.

    >>> forecast([2.0] * 100, 12.0, 3600.0).ratio
    2.0
    """
    recent = np.array(told[-RECENT:], dtype=np.float64)
    total = float(np.sum(told))
    if len(recent) < 3 or not gap_s > 0 or not total > 0:
        return None
    new, number = seconds / gap_s, len(recent)
    mean, rest = float(recent.mean()), recent - recent.mean()
    variance = float((rest**2).sum()) / (number - 1)
    shared = shared_by_neighbours(rest, 0.95) if variance > 0 else 0.0
    alike = (1 + shared) / (1 - shared)
    free = max(number / alike - 1, 2.0)
    wide = float(stats.t.ppf(0.5 + LEVEL / 2, free)) * float(
        np.sqrt(variance * alike * (new + new**2 / number))
    )
    ends = [max(total + new * mean + side * wide, total) / total for side in (-1, 0, 1)]
    low, middle, high = (float(np.sqrt(end)) for end in ends)
    return Forecast(new, middle, low, high)
