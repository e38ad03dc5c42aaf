"""An invented spiral galaxy: old bulge and disc, arms of young stars with glowing gas, dust on their inner sides.

Positions ``u, v`` are over the height of the frame, zero at its centre. Shapes only, no physics beyond what makes them
look right: discs fall off exponentially, arms are logarithmic spirals, dust lies where gas is pressed together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.simulate.nebula_parts import smooth_step
from fourlight.simulate.noise import octaves, ridges

__all__ = ["Galaxy", "galaxy"]

FloatArray = npt.NDArray[np.float64]

FLAT = 0.55
"""Short over long axis of a disc seen at about 57 degrees."""
PITCH = np.tan(np.radians(17.0))
BULGE, LENGTH = 0.07, 0.23
"""Scale of bulge and disc over the size of the galaxy."""


@dataclass(frozen=True)
class Galaxy:
    """Maps of about 0 to 1, and dust over the thickest."""

    old: FloatArray
    young: FloatArray
    gas: FloatArray
    dust: FloatArray


def galaxy(u: FloatArray, v: FloatArray, size: float, seed: int) -> Galaxy:
    """The galaxy at positions; ``size`` is the diameter of its disc over the height of the frame."""
    turn = np.radians(20.0 + 37.0 * (seed % 5))
    x = (u * np.cos(turn) + v * np.sin(turn)) / size
    y = (v * np.cos(turn) - u * np.sin(turn)) / size / FLAT
    r = np.hypot(x, y)
    stirred = 0.5 * octaves(5.0 * x, 5.0 * y, seed + 11, 5, 0.55)
    phase = 2.0 * (np.arctan2(y, x) - np.log(np.maximum(r, 1e-4) / 0.1) / PITCH) + stirred
    disc = np.exp(-r / LENGTH) * (1.0 - smooth_step(r, 0.75, 1.1))
    arm = np.exp(-(1.0 - np.cos(phase)) / 0.45) * smooth_step(r, 0.05, 0.16)
    inner = np.exp(-(1.0 - np.cos(phase + 0.9)) / 0.16) * smooth_step(r, 0.04, 0.14)
    clumps = smooth_step(octaves(22.0 * x, 22.0 * y, seed + 23, 5, 0.6), 0.0, 0.5)
    knots = smooth_step(octaves(34.0 * x, 34.0 * y, seed + 31, 4, 0.6), 0.22, 0.55)
    lanes = ridges(7.0 * x, 7.0 * y, seed + 41, 5, 0.6, 4)
    return Galaxy(
        old=np.exp(-r / BULGE) + 0.16 * disc * (1.0 + 0.6 * arm),
        young=disc * arm * (0.35 + 1.3 * clumps),
        gas=3.0 * disc * arm * knots,
        dust=np.minimum(np.exp(-r / 0.5) * (0.9 * inner + 0.25 * lanes * smooth_step(r, 0.05, 0.12)), 1.0)
        * (1.0 - smooth_step(r, 0.6, 1.0)),
    )
