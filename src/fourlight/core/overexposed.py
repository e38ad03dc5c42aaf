"""Whether a frame is so bright that most of its samples are full."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

__all__ = ["OVEREXPOSED", "mostly_full"]

OVEREXPOSED = "most of its samples are full: overexposed; expose shorter"
STILL = 0.01
"""Variance over that of light as bright, under which a level is that of full wells; no gain stated wrongly makes that
up (common practice, no source)."""


def mostly_full(samples: npt.NDArray[np.float32], full: float | None, light: float | None) -> bool:
    """Whether more than half of some samples are full.

    They are at the level that is said to be full; or they are above half of it and hold hardly any photon noise, as
    where wells are full below the highest number. Wells that differ from each other by more than a tenth of photon
    noise hide that.

    Parameters
    ----------
    samples : (ny, nx) float32
        Whole rows of a mosaic as the camera gave them, level of no light taken off or not, but divided by no flat: what
        wells differ by in response would be noise of full ones. NaN where undefined.
    full : float or None
        Level of a full sample, unit of the samples; None where nothing tells.
    light : float or None
        Variance of light over its level, unit of the samples: 1 for electrons, one over the gain for ADU.

    Examples
    --------
    >>> well = np.full((2, 200), 63000.0, np.float32) + np.tile([2.0, 0.0, 0.0, 2.0], 50).astype(np.float32)
    >>> mostly_full(well, 65535.0, 1.25), mostly_full(well, 65535.0, None), mostly_full(well, 63000.0, None)
    (True, False, True)
    """
    known = samples[np.isfinite(samples)]
    if full is None or not math.isfinite(full) or not known.size:
        return False
    if float(np.mean(known >= full)) > 0.5:
        return True
    level = float(np.median(known))
    if light is None or level < 0.5 * full or samples.shape[1] < 3:
        return False
    step = samples[:, 2:] - samples[:, :-2]  # of one colour
    step = step[np.isfinite(step)]
    if not step.size:
        return False
    variance = float(1.4826 * np.median(np.abs(step))) ** 2 / 2
    return variance < STILL * light * level
