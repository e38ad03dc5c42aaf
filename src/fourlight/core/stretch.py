"""How linear light becomes brightness on a display: an inverse hyperbolic sine with a chosen sky level.

Brightness is sRGB-encoded, 0 to 1. Near the sky the curve is straight, far above it is logarithmic.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.colour import srgb_decode

__all__ = ["Curve", "asinh_unit", "choose_curve", "shoulder"]

HALVINGS = 32
"""Of an interval of 18 in the logarithm of the softening, which leaves 4e-9."""


def asinh_unit(x: npt.ArrayLike, softening: float) -> npt.NDArray[np.floating]:
    """``asinh(x / softening) / asinh(1 / softening)``: 0 at 0 and 1 at 1.

    >>> round(float(asinh_unit(0.5, 0.1)), 6)
    0.77127
    """
    values = np.asarray(x)
    return np.asarray(np.arcsinh(values / softening) / np.arcsinh(1 / softening)).astype(
        values.dtype if values.dtype == np.float32 else np.float64
    )


def shoulder(brightness: npt.NDArray[np.float32], knee: float = 0.85) -> npt.NDArray[np.float32]:
    """Encoded brightness brought below 1: as it is up to the knee, then towards 1, the slope at the knee kept.

    >>> shoulder(np.array([0.5, 0.85, 1.0, 3.0], np.float32)).astype(float).round(3).tolist()
    [0.5, 0.85, 0.925, 0.99]
    """
    over = np.maximum(brightness - np.float32(knee), 0) / np.float32(1 - knee)
    return np.asarray(np.minimum(brightness, np.float32(knee)) + np.float32(1 - knee) * over / (1 + over))


@dataclass(frozen=True, slots=True)
class Curve:
    """Brightness of light L: ``sky + (top - sky) asinh(L / softening) / asinh(white / softening)``.

    L is light above the sky. Below the sky the curve goes on with its slope there and bends towards black, which it
    never reaches: dust darker than the sky keeps its shape.
    """

    sky: float
    """Encoded brightness of empty sky."""
    top: float
    """Encoded brightness at ``white``."""
    softening: float
    """Light (input units) where the curve bends."""
    white: float
    """Light (input units) that reaches ``top``."""

    def __call__(self, light: npt.ArrayLike) -> npt.NDArray[np.float32]:
        """Encoded brightness, >= 0, of light in input units."""
        values = np.asarray(light, dtype=np.float32)
        rise = np.arcsinh(values / np.float32(self.softening)) / np.float32(
            np.arcsinh(self.white / self.softening)
        )
        level = np.float32(self.sky) + np.float32(self.top - self.sky) * rise
        below = np.maximum(values, 0) - values
        toe = np.float32(self.sky) / (1 + below * np.float32(self.slope / self.sky))
        return np.asarray(np.where(values < 0, toe, level), dtype=np.float32)

    @property
    def slope(self) -> float:
        """Encoded brightness per unit of light at the sky level."""
        return (self.top - self.sky) / (self.softening * float(np.arcsinh(self.white / self.softening)))

    @property
    def pedestal(self) -> float:
        """Neutral light that, added to every channel, makes the curve proportional to light at the sky.

        In linear display light the sky is ``d = decode(sky)`` and rises by ``decode'(sky) slope`` per unit;
        their quotient is the light that the displayed sky amounts to.
        """
        step = 1e-4
        rise = float(srgb_decode(self.sky + step) - srgb_decode(self.sky - step)) / (2 * step)
        return float(srgb_decode(self.sky)) / (rise * self.slope)


def choose_curve(
    noise: float,
    bright: float,
    white: float,
    *,
    sky: float,
    bright_target: float = 0.68,
    noise_limit: float = 0.02,
    top: float = 0.97,
) -> Curve:
    """The curve that shows the object as bright as the noise allows.

    Parameters
    ----------
    noise : float
        Standard deviation of the empty sky, input units.
    bright : float
        Light of the bright parts of the extended object above the sky; 0 where there is none.
    white : float
        Light of the brightest stars.
    sky : float
        Encoded brightness wanted for empty sky.
    bright_target : float
        Encoded brightness wanted for ``bright``.
    noise_limit : float
        Encoded brightness that one sigma of sky noise may make at most.
    top : float
        Encoded brightness of ``white``.

    Returns
    -------
    Curve
        Softening found by bisection; the noise limit wins over the target.
    """
    white = max(white, bright * 1.5, noise * 50, 1e-12)

    def curve(log_softening: float) -> Curve:
        return Curve(sky, top, white * float(np.exp(log_softening)), white)

    low, high = np.log(1e-7), np.log(10.0)
    limits = [low]
    if noise > 0:
        limits.append(_solve(lambda x: curve(x).slope * noise - noise_limit, low, high))
    if bright > 0:
        limits.append(_solve(lambda x: float(curve(x)(bright)) - bright_target, low, high))
    return curve(max(limits))


def _solve(excess: Callable[[float], float], low: float, high: float) -> float:
    """Root of a falling function, or the end of the interval that is nearest to one."""
    if excess(low) <= 0:
        return low
    if excess(high) >= 0:
        return high
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return (low + high) / 2
