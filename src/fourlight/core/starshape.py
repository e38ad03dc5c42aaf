"""One star shape per colour plane for a whole frame, and the fluxes that follow from it.

The positions come from fits over all planes together. Width measured separately for each star and plane is
biased by the sparse samples of one plane; one shape shared by all stars of a plane is not.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.spread import sort_few
from fourlight.core.starequations import (
    WORK,
    amplitude_of,
    eliminate,
    equations_of,
    set_star,
    solve,
    star_equations,
)
from fourlight.core.starmodel import BETA, LANES, disc_room, disc_samples, level_fit, profile

__all__ = ["aperture_ratios", "plane_fluxes", "plane_shape"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]


@njit(cache=True, nogil=True, error_model="numpy")
def _shape_step(
    image: Float32, cell: Int64, plane: int, variance: float, poisson: float, x: Float64, y: Float64,
    p: Float64, amplitude: Float64, r: int, matrix: Float64, vector: Float64,
) -> None:  # fmt: skip
    """Normal equations of the five shared parameters, each star's amplitude and sky projected out."""
    matrix[:] = 0.0
    vector[:] = 0.0
    room = disc_room(cell, r)
    samples, light, work = np.zeros((4, room, LANES)), np.empty(room), np.empty(WORK)
    full, right, common = np.empty((7, 7)), np.empty(7), p.copy()
    for first in range(0, x.size, LANES):
        many = min(LANES, x.size - first)
        for lane in range(LANES):
            k, a, sky = first + lane, 0.0, 0.0
            if lane < many:
                cx, cy = x[k] + p[3], y[k] + p[4]
                x0, y0 = int(np.rint(cx)), int(np.rint(cy))
                common[3], common[4] = cx - x0, cy - y0
                n = disc_samples(image, cell, plane, x0, y0, r, samples, lane)
                profile(samples, lane, n, common, light)
                a, _, sky = level_fit(light, samples, lane, n, variance, poisson, amplitude[k])
            set_star(work, lane, common, max(a, 0.0), sky, variance)
            if a > 0:
                amplitude[k] = a
        star_equations(samples, poisson, work)
        for lane in range(many):
            if amplitude_of(work, lane) > 0:
                equations_of(work, lane, full, right)
                eliminate(full, right, 0.0, matrix, vector)


def plane_shape(
    image: Float32, cell: Int64, plane: int, variance: float, poisson: float, x: Float64, y: Float64,
    start: Float64, radius: int,
) -> tuple[Float64, bool]:  # fmt: skip
    """Shape and shift that one plane's samples of all given stars share.

    Parameters
    ----------
    image : (ny, nx) float32
        Calibrated mosaic frame; NaN left out.
    cell : (2, 2) int64
        Plane index of ``[y % 2, x % 2]``.
    plane : int
        Which plane.
    variance, poisson : float
        Variance of a sample at the sky level, and variance per unit of signal.
    x, y : (n,) float64
        Positions common to all planes; bright unsaturated stars.
    start : (3,) float64
        ``a, b, c`` to start from.
    radius : int
        Radius in pixels of the disc that is fitted.

    Returns
    -------
    (5,) float64
        ``a, b, c`` of the profile in `fourlight.core.starmodel` and the plane's shift ``dx, dy`` in pixels.
    bool
        False where the fit did not settle; the start values are returned then.
    """
    p = np.array([*start, 0.0, 0.0])
    matrix, vector, amplitude = np.empty((5, 5)), np.empty(5), np.zeros(x.size)
    for _ in range(12):
        _shape_step(image, cell, plane, variance, poisson, x, y, p, amplitude, radius, matrix, vector)
        matrix[np.diag_indices(5)] *= 1.0 + 1e-6
        if not solve(matrix, vector):
            break
        scale = 1.0
        while scale > 1e-3:
            a, b, c = p[:3] + scale * vector[:3]
            if a > 0.3 * p[0] and c > 0.3 * p[2] and a * c > 1.05 * b * b:
                break
            scale *= 0.5
        if scale <= 1e-3 or abs(p[3]) + abs(p[4]) > 0.5 * radius:
            break
        p += scale * vector
        if abs(vector[0]) + abs(vector[2]) < 1e-4 * (p[0] + p[2]) and abs(vector[3]) + abs(vector[4]) < 1e-4:
            return p, True
    return np.array([*start, 0.0, 0.0]), False


@njit(cache=True, nogil=True, error_model="numpy")
def plane_fluxes(
    image: Float32, cell: Int64, plane: int, variance: float, poisson: float, x: Float64, y: Float64,
    shape: Float64, radius: int,
) -> tuple[Float64, Float64]:  # fmt: skip
    """Flux and its error of each star in one plane, at the plane's own shape and shift.

    Returns
    -------
    flux, error : (n,) float64
        Total flux of the fitted profile and one sigma, units of the samples; error NaN where no fit.
    """
    flux, error, room = np.zeros(x.size), np.full(x.size, np.nan), disc_room(cell, radius)
    samples, light, common = np.zeros((4, room, LANES)), np.empty(room), shape.copy()
    area = np.pi / ((BETA - 1) * np.sqrt(shape[0] * shape[2] - shape[1] * shape[1]))
    for k in range(x.size):
        lane, cx, cy = k % LANES, x[k] + shape[3], y[k] + shape[4]
        x0, y0 = int(np.rint(cx)), int(np.rint(cy))
        common[3], common[4] = cx - x0, cy - y0
        n = disc_samples(image, cell, plane, x0, y0, radius, samples, lane)
        profile(samples, lane, n, common, light)
        guess, spread = 0.0, -1.0
        for _ in range(3):
            guess, spread, _ = level_fit(light, samples, lane, n, variance, poisson, guess)
        if spread >= 0:
            flux[k], error[k] = area * guess, area * np.sqrt(spread)
    return flux, error


@njit(cache=True, nogil=True, error_model="numpy")
def _ring_reach(radius: float) -> int:
    """Pixels from the middle of a disc to the rim of the ring around it, rounded up."""
    return int(np.ceil(1.5 * radius)) + 1


@njit(cache=True, nogil=True, error_model="numpy")
def _disc_light(
    image: Float32, cell: Int64, plane: int, x: float, y: float, shape: Float64, radius: float, ring: Float64
) -> tuple[float, float]:
    """Light of one plane in the disc over the level of the ring, and that of a profile of unit flux there.

    Both NaN where the core has a defect, both 0 where the ring holds too few samples.
    """
    light = model = inside = 0.0
    n = 0
    cx, cy, reach = x + shape[3], y + shape[4], _ring_reach(radius)
    x0, y0 = int(np.rint(x)), int(np.rint(y))
    for j in range(y0 - reach, y0 + reach + 1):
        for i in range(x0 - reach, x0 + reach + 1):
            if cell[j % 2, i % 2] != plane:
                continue
            dx, dy, value = i - cx, j - cy, image[j, i]
            d2 = dx * dx + dy * dy
            if value != value:
                if d2 <= 0.25 * radius * radius:
                    return np.nan, np.nan
            elif d2 <= radius * radius:
                light += value
                inside += 1
                inverse = 1.0 / (1.0 + shape[0] * dx * dx + 2 * shape[1] * dx * dy + shape[2] * dy * dy)
                model += inverse**BETA
            elif d2 <= 2.25 * radius * radius:
                ring[n] = value
                n += 1
    if n <= 8:
        return 0.0, 0.0
    sort_few(ring[:n])
    level = 0.5 * (ring[(n - 1) // 2] + ring[n // 2])
    peak = (BETA - 1) * np.sqrt(shape[0] * shape[2] - shape[1] * shape[1]) / np.pi
    return light - inside * level, peak * model


@njit(cache=True, nogil=True, error_model="numpy")
def aperture_ratios(
    image: Float32, cell: Int64, x: Float64, y: Float64, flux: Float64, shapes: Float64, radius: float
) -> Float64:
    """Light inside a disc over what the fitted profiles say for the same samples, per star.

    The profile misses part of the wings in a way that changes with the seeing; the mean of these ratios over
    bright stars turns profile fluxes into aperture fluxes. Samples count in units of their plane's flux, so
    that all four planes together sample the disc at every pixel: a single plane of a sharp star, seen at every
    other pixel only, scatters by per cents. The sky of each plane comes from a ring of 1.0 to 1.5 radii.

    Parameters
    ----------
    image : (ny, nx) float32
        Calibrated mosaic frame; NaN left out.
    cell : (2, 2) int64
    x, y : (n,) float64
        Positions common to all planes.
    flux : (n, 4) float64
        Profile flux per plane; planes without light (flux <= 0) are left out.
    shapes : (4, 5) float64
        From `plane_shape`.
    radius : float
        Of the disc, pixels.

    Returns
    -------
    (n,) float64
        NaN where disc and ring do not lie inside the frame or the core has a defect.
    """
    ny, nx = image.shape
    out = np.full(x.size, np.nan)
    reach = _ring_reach(radius)
    ring = np.empty((2 * reach + 1) ** 2)
    for k in range(x.size):
        x0, y0 = int(np.rint(x[k])), int(np.rint(y[k]))
        if x0 < reach or y0 < reach or x0 >= nx - reach or y0 >= ny - reach:
            continue
        data = total = 0.0
        for plane in range(4):
            light, model = _disc_light(image, cell, plane, x[k], y[k], shapes[plane], radius, ring)
            if flux[k, plane] > 0:
                data += light / flux[k, plane]
                total += model
            elif light != light:
                total = np.nan
        if total > 0.5:
            out[k] = data / total
    return out
