"""What makes white equal in all channels, and how much each of them counts in the brightness."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from fourlight.core import starcolour, stardiscs
from fourlight.core.colour import LUMINANCE_WEIGHTS
from fourlight.stages.canvas import some
from fourlight.stages.coverage import Sheet
from fourlight.stages.display import Field
from fourlight.stages.gradient import Empty

__all__ = ["Brightness", "White", "best_weights", "brightness_of", "signal_to_noise", "white_factors"]

Float64 = npt.NDArray[np.float64]

EVEN = np.full(3, 1 / 3)
LOST = 0.002
"""Part of the signal-to-noise ratio that an even share of the brightness may cost."""
LEAST_OBJECT, LEAST_LIGHT = 0.02, 0.2
"""Part of what is free of stars that an extended object covers at least, and its mean light there in the noise of a
pixel: wings of stars and the surface of the sky leave less."""
WIDE, LEAST_FREE = (3.0, 2.0, 1.0), 0.2
"""Surroundings of stars that may be their wings, in reaches of stars, and part of the field that must be free of them
for the wider ones."""
MOST = 100.0
"""Ratios above are not told: the other choice holds next to no light of the object."""
HALVINGS = 30
SURE = 0.1
"""Part of a factor that its error may be for it to count more than the typical star of the field."""
GUESS = "the light of the sky and of white light in a usual colour sensor"


@dataclass(frozen=True, slots=True)
class Brightness:
    """How much each channel counts in the brightness."""

    weights: Float64
    """(3,) share of each balanced channel; their sum is 1."""
    over: Mapping[str, float]
    """Signal-to-noise ratio on the object over that of other choices, by their names; none without an object."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What was decided, in sentences."""
        shares = ", ".join(f"{c} {100 * w:.0f} %" for c, w in zip("RGB", self.weights, strict=True))
        if not self.over:
            return (f"Brightness: {shares}.",)
        than = ", ".join(f"{ratio:.2f} times that of {name}" for name, ratio in self.over.items())
        return (
            f"Brightness: {shares}, by what each tells of the object; its signal-to-noise ratio there is {than}.",
        )


@dataclass(frozen=True, slots=True)
class White:
    """Factors that make a star of some colour white, as catalogue stars have them."""

    factors: tuple[float, float, float]
    """Of R, G and B."""
    error: tuple[float, float, float]
    """One sigma, as parts of them."""
    b_v: float

    @property
    def gains(self) -> tuple[Float64, str]:
        """Factors with that of green 1, and a sentence on where they come from."""
        green = np.array(self.factors) / self.factors[1]
        off = [float(np.hypot(self.error[k], self.error[1])) for k in (0, 2)]
        red, blue = (
            f"{c} x {green[k]:.2f} ± {green[k] * o:.2f}" for c, k, o in zip("RB", (0, 2), off, strict=True)
        )
        said = f"Colour: a star of B-V {self.b_v:g} is white, by catalogue stars ({red}, {blue} against G)."
        return green, said

    @classmethod
    def told(cls, colour: Mapping[str, Any]) -> Self | None:
        """That of what ``summary.json`` tells under ``colour``; None where it is not known to `SURE`."""
        found = colour.get("white")
        if not found:
            return None
        factors, error = (tuple(float(found[key][c]) for c in "RGB") for key in ("factors", "error"))
        if not max(error) < SURE:
            return None
        return cls((factors[0], factors[1], factors[2]), (error[0], error[1], error[2]), float(found["b_v"]))


def white_factors(sheet: Sheet, light: starcolour.StarLight, stars: Field) -> tuple[Float64, str]:
    """Factor per channel, and a sentence on where it comes from."""
    noise = np.array([float(np.nanmedian(v)) for v in sheet.some_variance()])
    balance = starcolour.white_balance(light, ~stars.saturated, noise)
    if balance.count == 0:
        source = f"no star could be used; a mean of {GUESS} is taken as neutral"
    else:
        held = "" if balance.count >= 20 else f", held by {GUESS} because stars are few"
        source = f"the typical one of {balance.count} unsaturated stars is neutral{held}"
    green = balance.factors / balance.factors[1]
    return balance.factors, f"Colour: {source} (R x {green[0]:.2f}, B x {green[2]:.2f} against G)."


def brightness_of(sheet: Sheet, empty: Empty, stars: Field, *, informed: bool = True) -> Brightness:
    """Weight per channel: signal over variance, from the noise alone without an extended object.

    Parameters
    ----------
    sheet : Sheet
        With its gains.
    empty : Empty
    stars : Field
    informed : bool
        False: all channels count alike.

    Notes
    -----
    A share of the brightness is shared out evenly, so that light of every colour is seen, whatever the object is made
    of: as much as lowers the signal-to-noise ratio by two in a thousand at most.
    """
    variance = np.array([max(float(np.median(v)), 1e-30) for v in sheet.some_variance()])
    signal = _object_light(sheet, empty, stars)
    seen = (signal / np.sqrt(variance)).max() > LEAST_LIGHT
    weights = best_weights(signal if seen else np.ones(3), variance) if informed else EVEN
    if not seen:
        return Brightness(weights, {})
    own = signal_to_noise(weights, signal, variance)
    counted = 1 / sheet.gains
    others = {
        "the mean of the channels": EVEN, "what the eye weights (Rec. 709)": np.array(LUMINANCE_WEIGHTS),
        "all that was counted": counted / counted.sum(), "green alone": np.array([0.0, 1.0, 0.0]),
    }  # fmt: skip
    over = {name: own / max(signal_to_noise(w, signal, variance), 1e-30) for name, w in others.items()}
    return Brightness(
        weights, {name: ratio for name, ratio in over.items() if np.isfinite(ratio) and ratio < MOST}
    )


def _object_light(sheet: Sheet, empty: Empty, stars: Field) -> Float64:
    """Light (3,) of the balanced channels on what is neither sky nor near stars; zeros where there is no such.

    The median, since wings of the brightest stars reach farther than is known, and a mean would be theirs.
    """
    covered, sky = some(sheet.covered), some(empty.sky)
    for wide in WIDE:
        radius = wide * stardiscs.star_reach(stars.fwhm_px, stars.brightness)
        free = covered & ~some(stardiscs.star_mask(sheet.shape, stars.x, stars.y, radius))
        if free.mean() >= LEAST_FREE:
            break
    rest = free & ~sky & ~some(empty.stars)
    if rest.sum() <= LEAST_OBJECT * free.sum():
        return np.zeros(3)
    return np.array([max(float(np.median(image[rest])), 0.0) for image in sheet.some_light()])


def signal_to_noise(weights: Float64, signal: Float64, variance: Float64) -> float:
    """Of a weighted sum of independent channels."""
    return float(weights @ signal / np.sqrt(weights**2 @ variance))


def best_weights(signal: Float64, variance: Float64) -> Float64:
    """Signal over variance, with an even share that costs at most `LOST` of the signal-to-noise ratio.

    >>> best_weights(np.array([1.0, 1.0, 1.0]), np.array([1.0, 1.0, 1.0])).round(3).tolist()
    [0.333, 0.333, 0.333]
    """
    best = signal / variance
    best /= best.sum()
    wanted = (1 - LOST) * signal_to_noise(best, signal, variance)
    low, high = 0.0, 1.0
    for _ in range(HALVINGS):
        share = (low + high) / 2
        if signal_to_noise((1 - share) * best + share * EVEN, signal, variance) >= wanted:
            low = share
        else:
            high = share
    return np.asarray((1 - low) * best + low * EVEN)
