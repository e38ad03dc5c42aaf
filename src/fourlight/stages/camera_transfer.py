"""Gain, read noise, saturation, dynamic range and linearity of a camera from its photon transfer curve."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core.regionerror import Measured, agreed
from fourlight.core.rounded import COARSE
from fourlight.core.transferfit import RANGE, Saturation, dynamic_range, gain_of, saturation_of
from fourlight.errors import InputError
from fourlight.stages.camera_pairs import Dark, Points

__all__ = [
    "FULL_SHARE",
    "PlaceTransfer",
    "bend_of",
    "camera_gain",
    "transfers",
    "with_bend",
]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
Note = Callable[[str], None]

FULL_SHARE = 1e-3
"""Share of full samples from which a region tells no gain: the tail that is cut off lowers its scatter."""
LARGEST_ERROR = 0.2
"""Part of the gain that its error may be: flats that show hardly any light tell anything."""
SURE, BEND = 3.0, 0.003
"""Standard errors, and part of the gain, by which dim and bright light must differ in gain to be told."""
LARGEST_GAIN = 50.0
"""Electrons per ADU beyond which flats are taken to be full: their samples scatter no more than bias frames. Wells of
100,000 e at 12 bits make 24."""


@dataclass(frozen=True, slots=True)
class PlaceTransfer:
    """What one place of the mosaic cell shows."""

    name: str
    gain: Measured
    """e/ADU."""
    read_noise: Measured
    """e, without rounding."""
    dark_noise: Measured
    """e, rounding included: what a sample without light scatters by."""
    saturation: Saturation
    """ADU above no light."""
    use: BoolArray
    """(p, r) points that the gain is from."""
    highest: float
    """Brightest level that was seen, ADU above no light."""

    @property
    def full_e(self) -> Measured:
        """Saturation capacity, e."""
        level = self.saturation
        value = level.level * self.gain.value
        return Measured(value, float(np.hypot(level.error * self.gain.value, level.level * self.gain.error)))

    @property
    def range(self) -> Measured:
        """Dynamic range, by the errors of saturation and dark noise."""
        full, dark = self.full_e, self.dark_noise
        value = dynamic_range(full.value, dark.value)
        part = np.hypot(full.error / full.value, dark.error / (dark.value + 0.5))
        return Measured(value, float(value * part))

    @property
    def snr(self) -> Measured:
        """Largest signal-to-noise ratio, the root of the saturation capacity (EMVA 1288)."""
        full = self.full_e
        return Measured(full.value**0.5, full.error / (2 * full.value**0.5))


def transfers(
    points: Points, dark: Dark, names: Sequence[str], full: float, folder: str
) -> list[PlaceTransfer]:
    """Every place by itself.

    Raises
    ------
    InputError
        The flats are full, or show too little light.
    """
    found = [_place(points, dark, k, names[k], full) for k in range(4)]
    made = [part for part in found if part is not None]
    if made:
        return made
    if np.nanmax(points.full) > FULL_SHARE or np.nanmax(points.level) > 1000:
        raise InputError(
            f"{folder}: all flats are full: at {np.nanmedian(points.level):.0f} ADU above the bias their samples are "
            "cut off or scatter no more than those of bias frames; expose some to a tenth and some to half of the range"
        )
    raise InputError(
        f"{folder}: flats show hardly more light than the bias frames ({np.nanmedian(points.level):.1f} ADU); expose "
        "some to a tenth and some to half of the range"
    )


def _place(points: Points, dark: Dark, place: int, name: str, full: float) -> PlaceTransfer | None:
    level, light, count = (part[:, place] for part in (points.level, points.light, points.count))
    flat_dark = dark.variance[place]
    total = light + flat_dark
    saturation = saturation_of(level.ravel(), total.ravel(), count.ravel())
    if saturation is None:
        return None
    limit = RANGE * saturation.level if saturation.reached else _stated_limit(full, dark, place)
    with np.errstate(invalid="ignore"):
        use = (level <= limit) & (points.full[:, place] <= FULL_SHARE) & (count > 0)
        use &= np.sqrt(np.maximum(total, 0.0)) >= COARSE * dark.step
    gain = gain_of(level, light, count, flat_dark, use)
    if gain is None or gain.value > LARGEST_GAIN or not gain.error < LARGEST_ERROR * gain.value:
        return None
    noise = dark.noise[place]
    whole = float(np.sqrt(noise.value**2 + dark.step**2 / 12))
    part = noise.value / whole if whole > 0 else 1.0
    return PlaceTransfer(
        name,
        gain,
        _in_electrons(noise.value, noise.error, gain, noise.excess),
        _in_electrons(whole, noise.error * part, gain, noise.excess),
        saturation,
        use,
        float(np.nanmax(level)),
    )


def _stated_limit(full: float, dark: Dark, place: int) -> float:
    """The linear range where flats do not show where it ends: that up to the full level, if one is stated."""
    return RANGE * (full - float(np.nanmean(dark.level[place]))) if np.isfinite(full) else np.inf


def _in_electrons(value: float, error: float, gain: Measured, excess: float = 1.0) -> Measured:
    return Measured(value * gain.value, float(np.hypot(error * gain.value, value * gain.error)), excess)


def camera_gain(found: Sequence[PlaceTransfer], what: str, bend: float, note: Note) -> Measured:
    """Mean of a quantity (such as 'gain') over the places, by their errors; places that disagree are told.

    ``bend`` is the part by which it may be off besides, alike at all places: see `bend_of`.
    """
    parts = [getattr(part, what) for part in found]
    mean = agreed(np.array([p.value for p in parts]), np.array([p.error for p in parts]))
    if mean.excess > 1:
        each = ", ".join(f"{f.name} {p.value:.3f}" for f, p in zip(found, parts, strict=True))
        note(
            f"The places differ in {what.replace('_', ' ')} by more than their errors ({each}); the error of the mean "
            f"is enlarged by {mean.excess:.1f}."
        )
    return replace(mean, error=float(np.hypot(mean.error, bend * mean.value)))


def bend_of(
    points: Points, dark: Dark, found: Sequence[PlaceTransfer], names: Sequence[str], note: Note
) -> float:
    """Part by which the gain of no light differs from that of the line, as far as the response bends.

    The gain of dim light is held against that of bright light, within the range that the gain is from, and carried on
    to no light along a straight line. A bend that is clear is told; one that is not clear may be there as well.
    """
    halves: list[list[Measured]] = [[], []]
    places: list[list[float]] = [[], []]
    for part in found:
        place = list(names).index(part.name)
        level, light, count = (each[:, place] for each in (points.level, points.light, points.count))
        middle = float(np.nanmax(np.where(part.use, level, np.nan))) / 2
        for half, seats, there in zip(halves, places, (level < middle, level >= middle), strict=True):
            gain = gain_of(level, light, count, dark.variance[place], part.use & there)
            if gain is not None:
                half.append(gain)
                seats.append(float(np.mean(level[part.use & there])) / (2 * middle))
    dim, bright = (agreed(np.array([g.value for g in h]), np.array([g.error for g in h])) for h in halves)
    apart = bright.value - dim.value
    if abs(apart) > SURE * np.hypot(dim.error, bright.error) and abs(apart) > BEND * dim.value:
        note(
            f"The gain is {dim.value:.4f} +- {dim.error:.4f} e/ADU in the lower half of the range and "
            f"{bright.value:.4f} +- {bright.error:.4f} in the upper one: the response bends. Errors of the gain and of "
            "all that follows from it hold by how much it is another where there is no light."
        )
    if not np.isfinite(apart):  # flats of one level
        return 0.0
    low, high = (float(np.mean(each)) for each in places)
    none = dim.value - apart * low / max(high - low, 0.1)
    gain = agreed(np.array([p.gain.value for p in found]), np.array([p.gain.error for p in found]))
    return abs(none / gain.value - 1.0)


def with_bend(found: Sequence[PlaceTransfer], bend: float) -> list[PlaceTransfer]:
    """Places whose gain, and what is in electrons by it, may be off by a part more."""

    def wider(value: Measured) -> Measured:
        return replace(value, error=float(np.hypot(value.error, bend * value.value)))

    return [
        replace(p, gain=wider(p.gain), read_noise=wider(p.read_noise), dark_noise=wider(p.dark_noise))
        for p in found
    ]
