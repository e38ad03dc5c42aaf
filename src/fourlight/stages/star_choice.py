"""Which stars of a frame tell the shape of its stars: bright, not full, and alone; and which are full on a stack."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

__all__ = ["BRIGHT_STARS", "fit_radius", "full_on_stack", "full_stars", "lone"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]
Bool = npt.NDArray[np.bool_]

LEAST_ALONE = 12
"""Stars from which a shape is measured, if there are so many, however disturbed."""

MOST_BESIDE = 0.1
"""Light of other stars in the disc of a star that stands alone, over its own."""

USUAL_SIZE = 0.25
"""Natural logarithm of a star's width over the usual one that counts as much as that."""

NEAR_FULL = 0.6
"""Share of the way from the sky to a full sample at which the peak of a star counts as full: the stack is a mean over
frames in which the star falls between the samples or on them, and where it falls on them they fill first."""

BRIGHT_STARS = 150
"""Stars that define the shape of a frame; more add nothing to its precision."""


def fit_radius(width: float) -> int:
    """Radius of the disc around a star of this width (pixels) that is fitted, pixels."""
    return int(np.clip(np.ceil(2.2 * width), 4, 24))


def full_stars(image: Float32, x: Float64, y: Float64, saturation: float) -> Bool:
    """Whether any sample within two pixels of a star is full."""
    rows, columns = (
        np.clip(np.rint(part).astype(np.int64)[:, None] + np.arange(-2, 3), 0, size - 1)
        for part, size in zip((y, x), image.shape, strict=True)
    )
    return np.asarray((image[rows[:, :, None], columns[:, None, :]] >= saturation).any(axis=(1, 2)))


def full_on_stack(peak: Float64, room: Float64, saturated: Bool) -> Bool:
    """Whether a sample of a star is full in some frame of a stack, or nearly so.

    Parameters
    ----------
    peak : (n, c) float64
        Brightest pixels at the stars in c planes, above the sky.
    room : (c,) float64
        From the sky to the level of full samples on the stack; NaN where it is not known, which tells nothing.
    saturated : (n,) bool
        Stars that were full in the reference light.

    Examples
    --------
    >>> peak = np.array([[10.0, 70.0], [59.0, 59.0]])
    >>> full_on_stack(peak, np.array([np.nan, 100.0]), np.array([False, False])).tolist()
    [True, False]
    """
    return np.asarray(saturated | (peak > NEAR_FULL * room).any(axis=1))


def lone(
    x: Float64, y: Float64, light: Float64, size: Float64, full: Bool, width: float, least: int = LEAST_ALONE
) -> Int64:
    """The brightest unsaturated stars of usual size beside which little other light lies, brightest first.

    One star with a neighbour in its disc, or a close pair taken for one star, can outweigh all others in a common
    shape: the brightest count most. Where too few stand alone, those that are disturbed least are taken.

    Parameters
    ----------
    x, y : (n,) float64
        Places, pixels.
    light : (n,) float64
        Of each star, all planes together.
    size : (n,) float64
        Natural logarithm of a star's width over the usual one.
    full : (n,) bool
        Stars that are too bright to be measured.
    width : float
        The usual width, pixels.
    least : int
        Number of stars that are taken however disturbed, if there are so many.
    """
    own = np.maximum(light, 1e-30)
    near = cKDTree(np.column_stack([x, y])).query_pairs(fit_radius(width) + width, output_type="ndarray")
    other = np.bincount(near[:, 0], own[near[:, 1]], len(x)) + np.bincount(
        near[:, 1], own[near[:, 0]], len(x)
    )
    disturbed = other / own + np.abs(size) / USUAL_SIZE * MOST_BESIDE
    clear = np.flatnonzero(~full)
    clear = clear[np.argsort(disturbed[clear], kind="stable")]
    count = max(int((disturbed[clear] < MOST_BESIDE).sum()), min(least, len(clear)))
    chosen = clear[:count]
    return np.asarray(chosen[np.argsort(-own[chosen], kind="stable")][:BRIGHT_STARS], dtype=np.int64)
