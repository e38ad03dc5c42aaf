"""Stars fitted one after another to one channel and taken off it, the brightest first, until they agree.

Each star is fitted to what the others leave. Fits are weighted with the noise and with a share of the star's own
light, by which the profile may be wrong, and hold on to the place where the star was found as its light is faint.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.fieldequations import shape_at
from fourlight.core.pixelprofile import fill_profile, pixel_value, point_value
from fourlight.core.profilerest import rest_at

__all__ = ["add_star", "fit_layer"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

PLACE = 0.3
"""Standard error of the place where a star was found, pixels: that of faint ones."""
NEAR_PX = 10.0
"""Distance from which the middle of a pixel stands for all of it."""
RING = 1.8
"""Outer radius of the ring that tells the level under a star, over that of the disc that is fitted."""
WIDER = 2.0
"""Width of the profile of a knot over that of a star, against which stars are weighed."""


@njit(cache=True, nogil=True, error_model="numpy")
def add_star(
    image: Float32,
    x: float,
    y: float,
    height: float,
    shape: Float64,
    wings: float,
    rest: Float64,
    radius: float,
) -> None:
    """Add a star to an image, in place, as far as the radius."""
    ny, nx = image.shape
    for j in range(max(0, int(np.ceil(y - radius))), min(ny, int(y + radius) + 1)):
        for i in range(max(0, int(np.ceil(x - radius))), min(nx, int(x + radius) + 1)):
            u, v = i - x, j - y
            far = u * u + v * v
            if far <= radius * radius:
                near = far <= NEAR_PX * NEAR_PX
                light = pixel_value(u, v, shape, wings) if near else point_value(u, v, shape, wings)
                image[j, i] += height * (light + rest_at(rest, u, v))


@njit(cache=True, nogil=True, error_model="numpy")
def _fit(
    left: Float32, plane: Float32, variance: Float32, star: Float64, found: Float64, shape: Float64, wings: float,
    rest: Float64, radius: float, doubt: float, free: bool,
) -> float:  # fmt: skip
    """Place (where ``free``) and height of a star after one step; chi-square of what is left before it."""
    m, r = np.zeros((4, 4)), np.zeros(4)
    squares = _add_pixels(left, plane, variance, star, shape, wings, rest, radius, doubt, m, r)
    if not m[2, 2] > 0:
        return squares
    for u in range(2):
        m[u, u] += 1.0 / PLACE**2
        r[u] += (found[u] - star[u]) / PLACE**2
        if not free:
            _hold(m, r, u)
    # a level of its own would take up the wings of stars that touch, and let them drift apart
    _hold(m, r, 3)
    step = np.linalg.solve(m, r)
    for u in range(2):
        star[u] += min(max(step[u], -0.5), 0.5)
        star[u] = min(max(star[u], found[u] - 1.5), found[u] + 1.5)
    star[2] = max(star[2] + step[2], 0.0)
    return squares


@njit(cache=True, nogil=True, error_model="numpy")
def _hold(m: Float64, r: Float64, u: int) -> None:
    """Let no step change a parameter."""
    m[u, :] = 0.0
    m[:, u] = 0.0
    m[u, u], r[u] = 1.0, 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def _add_pixels(
    left: Float32, plane: Float32, variance: Float32, star: Float64, shape: Float64, wings: float, rest: Float64,
    radius: float, doubt: float, m: Float64, r: Float64,
) -> float:  # fmt: skip
    """Add the pixels of a star's disc to the equations of its place, height and level; chi-square of what is left."""
    ny, nx = left.shape
    slope, part, squares = np.empty(7), np.empty(4), 0.0
    x, y, height, level = star[0], star[1], star[2], star[3]
    for j in range(max(0, int(np.ceil(y - radius))), min(ny, int(y + radius) + 1)):
        for i in range(max(0, int(np.ceil(x - radius))), min(nx, int(x + radius) + 1)):
            value, known = left[j, i], variance[j, i]
            if (i - x) ** 2 + (j - y) ** 2 > radius * radius or not (value == value and known > 0):
                continue
            fill_profile(i - x, j - y, shape, wings, slope)
            light = slope[6] + rest_at(rest, i - x, j - y)
            weight = 1.0 / (known + (doubt * max(plane[j, i] - level, 0.0)) ** 2)
            off = value - height * light - level
            squares += weight * off * off
            part[0], part[1], part[2], part[3] = height * slope[3], height * slope[4], light, 1.0
            for u in range(4):
                r[u] += weight * part[u] * off
                for v in range(4):
                    m[u, v] += weight * part[u] * part[v]
    return squares


@njit(cache=True, nogil=True, error_model="numpy")
def _around(left: Float32, x: float, y: float, near: float, far: float) -> float:
    """Median of what is left in a ring around a place; NaN where it holds nothing."""
    ny, nx = left.shape
    values, n = np.empty(int((2 * far + 2) ** 2)), 0
    for j in range(max(0, int(np.ceil(y - far))), min(ny, int(y + far) + 1)):
        for i in range(max(0, int(np.ceil(x - far))), min(nx, int(x + far) + 1)):
            apart = (i - x) ** 2 + (j - y) ** 2
            if near * near < apart <= far * far and left[j, i] == left[j, i]:
                values[n] = left[j, i]
                n += 1
    return np.median(values[:n]) if n > 0 else np.nan


@njit(cache=True, nogil=True, error_model="numpy")
def fit_layer(
    left: Float32, plane: Float32, variance: Float32, stars: Float64, found: Float64, terms: Float64,
    coefficients: Float64, wings: float, rest: Float64, radius: float, reach: Float64, doubt: float, rounds: int,
    squares: Float64,
) -> None:  # fmt: skip
    """Fit all stars and take them off ``left``, in place.

    Parameters
    ----------
    left : (ny, nx) float32
        The channel, with the stars as they are in ``stars`` taken off; NaN pixels are left out.
    plane : (ny, nx) float32
        The same with all stars: bright pixels are as uncertain as the profile, whichever star they belong to.
    variance : (ny, nx) float32
    stars : (n, 4) float64
        Place x, y, height and level of each, brightest first; changed.
    found : (n, 2) float64
        Where they were found.
    terms, coefficients, wings, rest
        The profile, see `fourlight.core.fieldprofile`.
    radius : float
        Of the discs that are fitted.
    reach : (n,) float64
        Radius to which each star is taken off, at least that of the disc.
    doubt : float
    rounds : int
    squares : (n, 2) float64
        Filled with chi-square of each as a star, and of the best wider spot in its place; (0, 2): not asked.
    """
    shape, wide, none = np.empty(3), np.empty(3), np.zeros((3, 3))
    spot = np.empty(4)
    for turn in range(rounds):
        for k in range(len(stars)):
            shape_at(coefficients, terms[k], shape)
            star = stars[k]
            level = _around(left, star[0], star[1], radius, RING * radius)
            star[3] = level if level == level else 0.0
            if star[2] > 0:
                add_star(left, star[0], star[1], star[2], shape, wings, rest, reach[k])
            for _ in range(3 if turn == 0 else 2):
                _fit(left, plane, variance, star, found[k], shape, wings, rest, radius, doubt, True)
            if turn == rounds - 1 and len(squares):
                squares[k, 0] = _fit(
                    left, plane, variance, star.copy(), found[k], shape, wings, rest, radius, doubt, False
                )
                wide[:] = shape / WIDER**2
                spot[:] = star
                for _ in range(3):
                    squares[k, 1] = _fit(
                        left, plane, variance, spot, found[k], wide, wings, none, radius, doubt, False
                    )
            if star[2] > 0:
                add_star(left, star[0], star[1], -star[2], shape, wings, rest, reach[k])
