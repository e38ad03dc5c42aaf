"""Linear light as whole numbers of 16 bits: fine steps at the sky, steps in proportion to the light above it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["NOISES", "Companding", "companding_for"]

Float32 = npt.NDArray[np.float32]
UInt16 = npt.NDArray[np.uint16]

MOST = 65535
"""Largest code; 0 stands for no value, so that 1 is the darkest."""
NOISES = 3.0
"""``soft`` of `companding_for` in noise of a pixel."""


@dataclass(frozen=True, slots=True)
class Companding:
    """Code of light L: ``1 + 65534 (asinh((L - sky) / soft) - a) / (b - a)``, a and b those of both ends.

    Linear codes would lose a deep stack: from the noise of its sky to the brightest star are more than 65,535 steps.
    """

    sky: float
    """Light around which steps are finest."""
    soft: float
    """Light above the sky from which on steps grow in proportion to it."""
    lowest: float
    highest: float
    """Light of the codes 1 and 65535; what lies beyond takes these."""

    @property
    def ends(self) -> tuple[float, float]:
        """a and b of the formula."""
        return math.asinh((self.lowest - self.sky) / self.soft), math.asinh(
            (self.highest - self.sky) / self.soft
        )

    def codes(self, light: Float32) -> UInt16:
        """Codes (ny, nx) of light (ny, nx); 0 where it is NaN."""
        low, high = self.ends
        at = np.arcsinh((np.asarray(light, np.float64) - self.sky) / self.soft)
        at = np.clip((at - low) * ((MOST - 1) / (high - low)), 0, MOST - 1) + 1.5
        return np.nan_to_num(at, nan=0, copy=False).astype(np.uint16)

    def light(self, codes: npt.ArrayLike) -> Float32:
        """Light of codes; NaN where they are 0.

        >>> c = Companding(100.0, 10.0, 0.0, 1e5)
        >>> c.light([0, 1, 65535]).tolist()
        [nan, 0.0, 100000.0]
        """
        low, high = self.ends
        at = np.asarray(codes, np.float64)
        light = self.sky + self.soft * np.sinh(low + (at - 1) * (high - low) / (MOST - 1))
        return np.where(at == 0, np.nan, light).astype(np.float32)

    def step(self, light: float) -> float:
        """How far apart neighbouring codes are around some light, in its units."""
        low, high = self.ends
        return self.soft * math.hypot(1, (light - self.sky) / self.soft) * (high - low) / (MOST - 1)

    def as_dict(self) -> dict[str, float]:
        """Plain data, to travel with the codes."""
        return {"sky": self.sky, "soft": self.soft, "lowest": self.lowest, "highest": self.highest}


def companding_for(sky: float, noise: float, lowest: float, highest: float) -> Companding:
    """A companding whose steps are small against the noise, for light between two values.

    Parameters
    ----------
    sky, noise : float
        Level of the sky and standard deviation of a pixel there.
    lowest, highest : float
        Of the light; where they are one, or not finite, a range around the sky is taken.

    Returns
    -------
    Companding

    Notes
    -----
    ``soft`` is three times the noise. Steps grow with the light from there on, photon noise with its root only: where
    the brightest star stands 10^6 times the noise above a sky of 480 electrons, rounding is below 1/1,000 of the noise
    at the sky, 1/40 at 260 times the noise above it, and 1/4 at 10,000 times.
    """
    scale = noise if np.isfinite(noise) and noise > 0 else max(abs(sky) * 1e-3, 1e-6)
    low = lowest if np.isfinite(lowest) else sky - 5 * scale
    high = highest if np.isfinite(highest) else sky + 5 * scale
    return Companding(sky, NOISES * scale, min(low, sky - scale), max(high, sky + scale))
