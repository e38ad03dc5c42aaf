"""Dark current: what darks hold more than bias frames, per second, and how it grows with the temperature."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, special

from fourlight.core.darklaw import DarkLaw, dark_law
from fourlight.core.regionerror import Measured
from fourlight.core.uniformity import SIGMA
from fourlight.frames import RawFrame
from fourlight.stages.camera_frames import pairs_in_time
from fourlight.stages.camera_maps import Stack
from fourlight.stages.camera_pairs import Dark, regions_of, variance_of
from fourlight.stages.masters import OpenSource

__all__ = ["Current", "DarkGroup", "current_of", "dark_groups", "from_scatter", "law_of", "longest"]

FloatArray = npt.NDArray[np.float64]
Note = Callable[[str], None]

SAME_C = 1.0
"""Temperatures within so many degrees are one."""
SAME_EXPOSURE = 0.02
PARTS = 8
"""Parts along a side, of which the darkest quarter tells the current of ordinary samples: glow is in the others."""
GLOW_LEFT = 1.5
"""Error of that for what the darker half of the parts has more. Glow from a corner of a frame of 3:2 that falls to 1/e
over a third, a quarter, a sixth or an eighth of the width leaves 2.2, 1.5, 0.8 and 0.5 of it in the darkest quarter."""
GLOW_SHARE = 0.5
"""The same for m^2 / (a - m), where parts in the middle have m more than the darkest and all have a more: glow from a
corner leaves 0.33 to 0.57 of it in a frame of 3:2 (a reach of an eighth to half of the width), 1.0 to 1.1 in a square
one (a quarter to half), from an edge 0.27. Noise hides that less than what the darker half has more."""
SEEN = 3.0
"""Standard errors of what all parts have more than the darkest, from which on glow counts as seen."""
MOST_FLAT = 0.8
"""Of a, m counts as this share at most, that of glow over half of the width: flatter glow is as dark current."""
DOUBTFUL = 0.01
"""Probability of a misfit by chance, under which a law does not fit."""


@dataclass(frozen=True, slots=True)
class DarkGroup:
    """Darks of one temperature and exposure."""

    frames: tuple[RawFrame, ...]

    @property
    def temperature_c(self) -> float | None:
        """Mean temperature; None where headers do not say it."""
        known = [f.temperature_c for f in self.frames if f.temperature_c is not None]
        return float(np.mean(known)) if known else None

    @property
    def exposure_s(self) -> float:
        """Exposure."""
        return float(self.frames[0].exposure_s or 0.0)


@dataclass(frozen=True, slots=True)
class Current:
    """Dark current at one temperature and exposure, electrons per second and sample."""

    temperature_c: float | None
    exposure_s: float
    frames: int
    usual: Measured
    """Of ordinary samples: mean over the darkest quarter of the frame, samples that stand apart left out."""
    own_error: float
    """Its standard error less that of the gain, which all temperatures have in common."""
    mean: Measured
    """Of all samples, hot ones and glow included (EMVA 1288)."""
    scatter: Measured | None
    """From the temporal variance, which a level that the camera shifts by itself does not fool; None without a pair."""


def dark_groups(frames: Sequence[RawFrame]) -> list[DarkGroup]:
    """Darks by temperature and exposure, those of no known temperature for themselves."""
    groups: list[list[RawFrame]] = []
    known = [f for f in frames if f.temperature_c is not None]
    for some in (known, [f for f in frames if f.temperature_c is None]):
        for warm in _runs(some, lambda f: f.temperature_c or 0.0, lambda a, b: b - a > SAME_C):
            exposures = _runs(warm, lambda f: f.exposure_s or 0.0, lambda a, b: b > a * (1 + SAME_EXPOSURE))
            groups += [sorted(group, key=lambda f: str(f.path)) for group in exposures]
    return [DarkGroup(tuple(group)) for group in groups]


def _runs(
    frames: Sequence[RawFrame], value: Callable[[RawFrame], float], apart: Callable[[float, float], bool]
) -> list[list[RawFrame]]:
    """Frames sorted by a value and parted where it is apart from that of the first one."""
    found: list[list[RawFrame]] = []
    for frame in sorted(frames, key=value):
        if not found or apart(value(found[-1][0]), value(frame)):
            found.append([])
        found[-1].append(frame)
    return found


def longest(groups: Sequence[DarkGroup]) -> DarkGroup:
    """The darks in which hot samples show best: of those with the longest exposure, the most frames."""
    most = max(group.exposure_s for group in groups)
    return max((g for g in groups if g.exposure_s > 0.9 * most), key=lambda g: len(g.frames))


def current_of(
    group: DarkGroup, stack: Stack, bias: Stack, scatter: Measured | None, gain: Measured
) -> Current:
    """Dark current from the mean of darks less that of bias frames.

    Parameters
    ----------
    group : DarkGroup
    stack, bias : Stack
        Of the darks and of the bias frames.
    scatter : Measured or None
        From `from_scatter`.
    gain : Measured
        e/ADU.
    """
    parts, whole = [], []
    for place in range(4):
        signal = stack.plane("mean", place) - bias.plane("mean", place)
        whole.append(float(np.nanmean(signal, dtype=np.float64)))
        parts.append(_parts(signal))
    usual = _without_glow(np.array(parts))
    drift = [_level_error(found.levels) for found in (stack, bias)]
    common = float(np.hypot(drift[0], drift[1]))
    per_s = gain.value / group.exposure_s

    def current(level: float, error: float) -> Measured:
        return Measured(per_s * level, per_s * float(np.hypot(error, level * gain.error / gain.value)))

    own = float(np.hypot(common, usual.error))
    return Current(
        group.temperature_c, group.exposure_s, len(group.frames), current(usual.value, own), per_s * own,
        current(float(np.mean(whole)), common), scatter,
    )  # fmt: skip


def _without_glow(parts: FloatArray) -> Measured:
    """Mean of the darkest quarter of the parts (4, rows, columns), which at each place the others name.

    They do so by means of 3 x 3 parts, as glow is even, so that noise neither chooses parts nor hides which are dark.
    The error holds the glow that is left there, see `_left`.
    """
    found, spread = [], []
    for place, own in enumerate(parts):
        others = np.delete(parts, place, axis=0).mean(axis=0)
        order = np.argsort(ndimage.uniform_filter(others, 3, mode="nearest"), axis=None)
        own, n = own.ravel(), own.size
        quarter = own[order[: max(n // 4, 1)]]
        half, middle = own[order[: max(n // 2, 1)]], own[order[3 * n // 8 : 3 * n // 8 + max(n // 4, 1)]]
        found.append([quarter.mean(), half.mean(), middle.mean(), own.mean()])
        spread.append(quarter.std(ddof=1) / len(quarter) ** 0.5 if len(quarter) > 1 else 0.0)
    noise = float(np.sqrt(np.sum(np.square(spread)))) / len(parts)
    value, half, middle, whole = np.mean(found, axis=0)
    left = _left(half - value, middle - value, whole - value, noise)
    return Measured(float(value), float(np.hypot(noise, left)))


def _left(half: float, middle: float, whole: float, noise: float) -> float:
    """Glow in the darkest quarter, one standard deviation, from what other parts have more than it.

    Parameters
    ----------
    half, middle, whole : float
        Of the darker half, of the quarter in the middle and of all parts.
    noise : float
        Standard error of the darkest quarter, about that of the one in the middle, too.

    >>> _left(0.5, 1.0, 2.0, 0.0), _left(0.5, 1.0, 2.0, 0.8), round(_left(0.1, 1.0, 2.0, 0.3), 3)
    (0.75, 0.75, 1.762)
    """
    least = GLOW_LEFT * abs(half)
    if whole <= SEEN * 1.25**0.5 * noise:  # four times as many parts scatter by half as much
        return least
    middle = min(max(middle, 0.0) + 2**0.5 * noise, MOST_FLAT * whole)
    return max(least, GLOW_SHARE * middle**2 / (whole - middle))


def _level_error(levels: FloatArray) -> float:
    """Standard error (ADU) of the mean level of frames, from how it changes from one to the next; 0 of one alone."""
    if len(levels) < 2:
        return 0.0
    return float(levels.mean(axis=1).std(ddof=1) / np.sqrt(len(levels)))


def _parts(signal: npt.NDArray[np.float32]) -> FloatArray:
    """Mean of the ordinary samples of every part (rows, columns) of a plane."""
    ny, nx = signal.shape
    rows, columns = (np.linspace(0, n, min(PARTS, max(n // 8, 1)) + 1).astype(int) for n in (ny, nx))
    found = []
    for y0, y1 in itertools.pairwise(rows):
        for x0, x1 in itertools.pairwise(columns):
            values = signal[y0:y1, x0:x1]
            values = values[np.isfinite(values)].astype(np.float64)
            middle = np.median(values)
            scatter = max(1.4826 * float(np.median(np.abs(values - middle))), 0.1)
            found.append(values[np.abs(values - middle) < SIGMA * scatter].mean())
    return np.array(found).reshape(len(rows) - 1, len(columns) - 1)


def from_scatter(group: DarkGroup, dark: Dark, open_source: OpenSource, gain: Measured) -> Measured | None:
    """Dark current from the variance that pairs of darks have over that of bias frames, electrons per second.

    Each electron of dark signal adds one electron of variance, whatever the camera does to the level.
    """
    pairs = pairs_in_time(group.frames)
    if not pairs or dark.coarse:
        return None
    zero = np.zeros(4)
    found = [regions_of(pair, open_source, zero, np.inf, scaled=False) for pair in pairs]
    _, each = variance_of(found)
    rounding = dark.step**2 / 12
    more = [part.value - rounding - noise.value**2 for part, noise in zip(each, dark.noise, strict=True)]
    errors = [
        float(np.hypot(part.error, 2 * noise.value * noise.error))
        for part, noise in zip(each, dark.noise, strict=True)
    ]
    factor = gain.value**2 / group.exposure_s
    error = float(np.sqrt(np.sum(np.square(errors)))) / 4
    value = float(np.mean(more)) * factor
    return Measured(value, float(np.hypot(error * factor, 2 * value * gain.error / gain.value)))


def law_of(currents: Sequence[Current], note: Note) -> tuple[DarkLaw | None, str]:
    """The law of temperature, from the longest exposure of every temperature; and what is missing for it."""
    best: dict[float, Current] = {}
    for current in sorted(currents, key=lambda c: c.exposure_s):
        if current.temperature_c is not None:
            near = next((t for t in best if abs(t - current.temperature_c) <= SAME_C), current.temperature_c)
            best[near] = current
    if len(best) < 2:
        told = f"{len(best)} found" if best else "none is stated in the headers"
        return None, f"darks of two or more temperatures ({told})"
    chosen = [best[t] for t in sorted(best)]
    law = dark_law(
        np.array([c.temperature_c for c in chosen], dtype=np.float64),
        np.array([c.usual.value for c in chosen]),
        np.array([max(c.own_error, 1e-12) for c in chosen]),
    )
    if law is None:
        return (
            None,
            "darks of two temperatures at which the current differs from zero and grows (take longer ones)",
        )
    if law.freedom == 0:
        note("The law of temperature rests on two temperatures: nothing checks it.")
    for name, misfit in zip(("a warming that doubles it", "an activation energy"), law.misfit, strict=True):
        if law.freedom > 0 and special.gammaincc(law.freedom / 2, misfit / 2) < DOUBTFUL:
            note(
                f"Dark current does not follow {name} over these temperatures (chi-squared {misfit:.0f} for "
                f"{law.freedom} free numbers): what is told is its mean slope, with an error that holds the misfit."
            )
    return law, ""
