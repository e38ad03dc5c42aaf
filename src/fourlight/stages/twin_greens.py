"""What both greens disagree about in a region beyond the noise of lights: what every plane may be off by there.

Both planes see the same light. Leaving out lights shows none of what all lights have in common: samples on the same
places of narrow stars where they are not dithered, noise of the masters, patterns of the sensor. The greens show it:
block by block of the region one is above the other by chance, and by how much tells how far the sum of all may be off.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

import numpy as np
import numpy.typing as npt
from scipy import special

from fourlight.core.background import Surface

__all__ = ["twin_variance"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

GREENS = ("G1", "G2")
FEWEST_BLOCKS = 12
"""Of a region, below which the greens cannot tell."""
LEAST_FREEDOM = 1.0
"""Of a region of which one star holds nearly all the light: its own block tells little of how far it is off."""
SURE = 1.96
"""Errors of a normal deviate that hold 95 %."""


def twin_variance(
    read: Callable[[str, str], Float32], masks: Mapping[str, Bool], surfaces: Mapping[str, Surface], side: int
) -> Float64:
    """Relative variance of the light of one plane in each region, by what all lights have in common.

    Parameters
    ----------
    read : callable
        Layers (ny, nx) of the stack.
    masks : mapping of str to (ny, nx) bool
        Regions.
    surfaces : mapping of str to Surface
        The sky under them.
    side : int
        Of a block, pixels; neighbours within it may be off together.

    Returns
    -------
    (r,) float64
        Half of that of G1 over G2, which has it from both; NaN where blocks are too few, or hold no light.

    Notes
    -----
    From sums over blocks, as for the ratio of two means of clusters (Cochran, Sampling Techniques, 1977, 6.4 and 9A).
    What of it the lights themselves scatter by, half of the difference of the half stacks shows; it is taken off. Where
    few bright stars hold most of the light the scatter of their blocks is known no better than that of so few: the
    variance is then larger by the square of Student's t over what a normal deviate asks for.
    """
    if not masks:
        return np.zeros(0)
    sums = np.concatenate(list(_rows(read, masks, surfaces, side)), axis=2)
    return np.array([_of_region(part) for part in sums])


def _of_region(sums: Float64) -> float:
    """From sums (5, by * bx): pixels, both greens, and half of the difference of the halves of both."""
    pixels, one, other, noise, its = sums[:, sums[0] > 0]
    total = (one.sum() + other.sum()) / 2
    if pixels.size < FEWEST_BLOCKS or not (total > 0 and other.sum() > 0):
        return float("nan")
    light = np.maximum(one + other, 0.0)
    freedom = max(float(light.sum() ** 2 / (light**2).sum()) - 1, LEAST_FREEDOM)
    ratio = one.sum() / other.sum()
    apart, by_lights = one - ratio * other, noise - ratio * its
    by_lights = by_lights - pixels * by_lights.sum() / pixels.sum()
    square = max(float((apart**2).sum() - (by_lights**2).sum()), 0.0) * (freedom + 1) / freedom
    wider = float(special.stdtrit(freedom, 0.975)) / SURE
    return float(square * wider**2 / (2 * total**2))


def _rows(
    read: Callable[[str, str], Float32], masks: Mapping[str, Bool], surfaces: Mapping[str, Surface], side: int
) -> Iterator[Float64]:
    """(r, 5, bx) sums of one row of blocks after the other; see `_of_region`."""
    ny, nx = read("G1", "value").shape
    edges = np.arange(0, nx, side)
    for top in range(0, ny, side):
        part = slice(top, min(top + side, ny))
        light, noise = np.zeros((2, 2, part.stop - part.start, nx))
        for k, plane in enumerate(GREENS):
            light[k] = read(plane, "value")[part] - surfaces[plane].image((part, slice(None)))
            noise[k] = 0.5 * (read(plane, "value_a")[part] - read(plane, "value_b")[part])
        known = np.isfinite(light).all(axis=0) & np.isfinite(noise).all(axis=0)
        planes = np.nan_to_num(np.stack([np.ones_like(light[0]), *light, *noise]))
        yield np.array(
            [
                np.add.reduceat((planes * (mask[part] & known)).sum(axis=1), edges, axis=1)
                for mask in masks.values()
            ]
        )
