"""An invented nebula: a blown shell with an ionised rim, pillars, filaments, dust and reflected light.

Positions ``u, v`` are over the height of the frame, zero at its centre, so that the object keeps its look at
any size of frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.simulate.noise import octaves, ridges
from fourlight.simulate.scene_sky import Object

__all__ = ["Shapes", "shapes"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Shapes:
    """Maps of one object, each about 0 to 1 except the dust."""

    halpha: FloatArray
    oiii: FloatArray
    sii: FloatArray
    reflection: FloatArray
    starlight: FloatArray
    dust_mag: FloatArray
    """A(V) in front of everything above and of the stars."""


def shapes(chosen: Object, u: FloatArray, v: FloatArray) -> Shapes:
    """Maps of the object at positions ``u, v`` (each (ny, nx))."""
    if chosen.kind == "none":
        empty = np.zeros_like(u)
        return Shapes(empty, empty, empty, empty, empty, empty)
    if chosen.kind == "disc":
        disc = np.exp(-0.5 * (u**2 + v**2) / (0.25 * chosen.size) ** 2)
        return Shapes(disc, disc, disc, disc, np.zeros_like(u), np.zeros_like(u))
    return _nebula(chosen, u, v)


def _nebula(chosen: Object, u: FloatArray, v: FloatArray) -> Shapes:
    seed = chosen.seed
    ridge = ridges(u * 3, v * 3, seed, 5, 0.55, 3.0)
    cloud = np.clip(octaves(u * 2, v * 2, seed + 1, 6, 0.5) + 0.5, 0, 1)
    r = np.hypot(u, v) / (0.5 * chosen.size)
    shell = np.exp(-0.5 * ((r - 0.9) / 0.15) ** 2)
    inner = np.exp(-0.5 * ((r - 0.6) / 0.2) ** 2)
    dust = chosen.dust_mag * np.clip(octaves(u * 2, v * 2, seed + 2, 6, 0.5), 0, 1)
    return Shapes(
        shell * ridge + 0.1 * cloud,
        inner * ridge,
        shell * ridge * 0.5,
        0.1 * cloud,
        np.ones_like(u),
        dust,
    )
