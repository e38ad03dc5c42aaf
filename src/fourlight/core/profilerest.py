"""What the stars of a frame have in common that their fitted profile lacks: coma, astigmatism, halos, rings.

A map of the difference around the middle of a star, in units of the star's height, from the samples of all colours
together: being the same for all of them it favours none, and with it stars of any shape fit. It is stretched with the
width of each colour. Where samples say little it stays near zero.

There are two maps, each for one half of the stars and from the other half: a map that knew the noise of the very
samples it is fitted to would make the noisiest colour look sharper, by a few tenths of a per cent.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.pixelprofile import fill_profile, point_value
from fourlight.core.starmodel import disc_room, disc_samples

__all__ = ["USUAL", "add_rest", "no_rest", "rest_at", "settled_rest", "share_out"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

FINE = 2
"""Knots of the map per pixel; it is linear between them."""

USUAL = 0.01
"""Difference, over the height of a star, that is expected before samples say more."""


def no_rest(radius: int) -> Float64:
    """Two maps of zeros (2, m, m) for discs of this radius (pixels)."""
    side = 2 * FINE * (radius + 2) + 1
    return np.zeros((2, side, side))


@njit(cache=True, nogil=True, error_model="numpy")
def rest_at(rest: Float64, dx: float, dy: float) -> float:
    """The map at an offset from a star, pixels; zero outside.

    >>> rest = np.zeros((5, 5))
    >>> rest[2, 3] = 1.0
    >>> rest_at(rest, 0.25, 0.0), rest_at(rest, 9.0, 0.0)
    (0.5, 0.0)
    """
    u, v = dx * FINE + rest.shape[1] // 2, dy * FINE + rest.shape[0] // 2
    i, j = int(np.floor(u)), int(np.floor(v))
    if i < 0 or j < 0 or i >= rest.shape[1] - 1 or j >= rest.shape[0] - 1:
        return 0.0
    u, v = u - i, v - j
    low = (1 - u) * rest[j, i] + u * rest[j, i + 1]
    return float((1 - v) * low + v * ((1 - u) * rest[j + 1, i] + u * rest[j + 1, i + 1]))


@njit(cache=True, nogil=True, error_model="numpy")
def share_out(left: float, weight: float, dx: float, dy: float, total: Float64, sure: Float64) -> None:
    """Share a value out to the four knots around an offset."""
    u, v = dx * FINE + total.shape[1] // 2, dy * FINE + total.shape[0] // 2
    i, j = int(np.floor(u)), int(np.floor(v))
    if i < 0 or j < 0 or i >= total.shape[1] - 1 or j >= total.shape[0] - 1:
        return
    for b in range(2):
        for a in range(2):
            part = weight * (u - i if a else 1 - u + i) * (v - j if b else 1 - v + j)
            total[j + b, i + a] += part * left
            sure[j + b, i + a] += part


@njit(cache=True, nogil=True, error_model="numpy")
def add_rest(
    image: Float32, cell: Int64, planes: Int64, x: Float64, y: Float64, radius: int, scale: Float64, flat: Float64,
    photon: Float64, weighting: Float64, common_wings: float, shape: Float64, wings: float, rest: Float64,
    stretch: float, total: Float64, sure: Float64,
) -> None:  # fmt: skip
    """Add what is left of one colour to sums of the map: residual over height times weight, and weight.

    Arguments as of `fourlight.core.widthequations.star_sums`.
    """
    room = disc_room(cell, radius)
    samples, profile, place = np.zeros((4, room, 1)), np.empty(7), np.empty((room, 2))
    light, values, weight = np.empty(room), np.empty(room), np.empty(room)
    for k in range(x.shape[0]):
        for plane in planes:
            cx, cy = x[k, plane], y[k, plane]
            x0, y0 = int(np.rint(cx)), int(np.rint(cy))
            n = disc_samples(image, cell, plane, x0, y0, radius, samples, 0)
            s0 = s1 = s2 = r0 = r1 = 0.0
            for i in range(n):
                dx, dy = samples[0, i, 0] + x0 - cx, samples[1, i, 0] + y0 - cy
                w = 1.0 / (flat[k] + photon[k] * point_value(dx, dy, weighting, common_wings))
                dx, dy = dx - shape[3], dy - shape[4]
                fill_profile(dx, dy, shape, wings, profile)
                place[i, 0], place[i, 1] = stretch * dx, stretch * dy
                f, value = (
                    profile[6] + rest_at(rest, place[i, 0], place[i, 1]),
                    samples[2, i, 0] / scale[k, plane],
                )
                light[i], values[i], weight[i] = f, value, w
                s0, s1, s2 = s0 + w, s1 + w * f, s2 + w * f * f
                r0, r1 = r0 + w * value, r1 + w * value * f
            det = s2 * s0 - s1 * s1
            if not det > 1e-9 * s2 * s0:
                continue
            height, sky = (s0 * r1 - s1 * r0) / det, (s2 * r0 - s1 * r1) / det
            if not height > 0:
                continue
            for i in range(n):
                left = (values[i] - sky) / height - light[i]
                share_out(left, weight[i] * height * height, place[i, 0], place[i, 1], total, sure)


def settled_rest(rest: Float64, total: Float64, sure: Float64) -> Float64:
    """The map with what samples add to it, drawn towards zero where they say little."""
    return np.asarray((total + rest * sure) / (sure + 1.0 / USUAL**2))
