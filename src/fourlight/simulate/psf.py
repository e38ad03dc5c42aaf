"""Point spread: one elliptical profile per colour, over pixels for stars and as a transfer function.

A shape is a 2 x 2 matrix that takes an offset in pixels to units of the full width at half maximum, so that
every profile is one function of one radius.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.special import gamma, kv

__all__ = ["Profile", "add_stars", "shape_matrix", "star_radius_px"]

FloatArray = npt.NDArray[np.float64]

FAINTEST_E = 2e-3
"""A star is drawn as far as it adds this many electrons to a pixel."""
LARGEST_RADIUS_PX = 600.0

_GAUSS_4 = np.array([-0.43056815579702629, -0.16999052179242813, 0.16999052179242813, 0.43056815579702629])
_WEIGHT_4 = np.array([0.17392742256872693, 0.32607257743127307, 0.32607257743127307, 0.17392742256872693])


@dataclass(frozen=True)
class Profile:
    """Round profile of unit volume and unit full width at half maximum.

    ``beta`` is the Moffat exponent (Moffat 1969); zero stands for a Gaussian.
    """

    beta: float

    @property
    def scale(self) -> float:
        """Moffat core radius, or Gaussian sigma, over the full width at half maximum."""
        if self.beta > 0.0:
            return 0.5 / math.sqrt(2.0 ** (1.0 / self.beta) - 1.0)
        return 0.5 / math.sqrt(2.0 * math.log(2.0))

    @property
    def peak(self) -> float:
        """Central value of the profile of unit volume."""
        if self.beta > 0.0:
            return (self.beta - 1.0) / (math.pi * self.scale**2)
        return 1.0 / (2.0 * math.pi * self.scale**2)

    def radius(self, ratio: FloatArray) -> FloatArray:
        """Radius where the profile has fallen to ``ratio`` (0 to 1) of its peak."""
        if self.beta > 0.0:
            return np.asarray(self.scale * np.sqrt(ratio ** (-1.0 / self.beta) - 1.0))
        return np.asarray(self.scale * np.sqrt(-2.0 * np.log(ratio)))

    def transfer(self, frequency: FloatArray) -> FloatArray:
        """Fourier transform at a frequency in cycles per full width at half maximum; 1 at zero."""
        frequency = np.asarray(frequency, dtype=np.float64)
        if self.beta <= 0.0:
            return np.asarray(np.exp(-2.0 * (np.pi * self.scale * frequency) ** 2))
        order = self.beta - 1.0
        z = np.maximum(2.0 * np.pi * self.scale * frequency, 1e-6)
        return np.asarray(2.0 / gamma(order) * (0.5 * z) ** order * kv(order, z))


def shape_matrix(fwhm_px: float, extra_px: float, angle_deg: float) -> FloatArray:
    """Matrix from an offset (x, y) in pixels to units of the full width at half maximum.

    Parameters
    ----------
    fwhm_px : float
        Width across the smear.
    extra_px : float
        Smear along ``angle_deg``, added in quadrature.
    angle_deg : float
        Direction of the smear from +x towards +y.

    Examples
    --------
    >>> shape_matrix(2.0, 0.0, 90.0).round(6).tolist()
    [[0.0, 0.5], [-0.5, 0.0]]
    """
    cosine, sine = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    along = math.hypot(fwhm_px, extra_px)
    return np.array([[cosine / along, sine / along], [-sine / fwhm_px, cosine / fwhm_px]])


def star_radius_px(profile: Profile, shape: FloatArray, electrons: FloatArray) -> FloatArray:
    """Radius in pixels inside which each star adds more than `FAINTEST_E` to a pixel."""
    widest = 1.0 / np.linalg.svd(shape, compute_uv=False).min()
    peak = profile.peak * abs(float(np.linalg.det(shape))) * np.maximum(electrons, 1e-12)
    reach = profile.radius(np.minimum(1.0, FAINTEST_E / peak)) * widest
    return np.asarray(np.minimum(reach + 1.0, LARGEST_RADIUS_PX))


@njit(cache=True, nogil=True)
def _density(dx: float, dy: float, a: FloatArray, scale: float, beta: float) -> float:
    u = a[0, 0] * dx + a[0, 1] * dy
    v = a[1, 0] * dx + a[1, 1] * dy
    q = (u * u + v * v) / (scale * scale)
    if beta > 0.0:
        return math.exp(-beta * math.log1p(q))
    return math.exp(-0.5 * q)


@njit(cache=True, nogil=True)
def _pixel(dx: float, dy: float, a: FloatArray, scale: float, beta: float) -> float:
    """Mean of the profile over a pixel, peak 1.

    Gauss-Legendre points near the centre; farther out the value in the middle plus 1/24 of its Laplacian.
    """
    u = a[0, 0] * dx + a[0, 1] * dy
    v = a[1, 0] * dx + a[1, 1] * dy
    if u * u + v * v > 2.25:
        return _far_pixel(u, v, a, scale, beta)
    total = 0.0
    for j in range(4):
        for i in range(4):
            weight = _WEIGHT_4[i] * _WEIGHT_4[j]
            total += weight * _density(dx + _GAUSS_4[i], dy + _GAUSS_4[j], a, scale, beta)
    return total


@njit(cache=True, nogil=True)
def _far_pixel(u: float, v: float, a: FloatArray, scale: float, beta: float) -> float:
    s2 = scale * scale
    q = (u * u + v * v) / s2
    qx = 2.0 * (u * a[0, 0] + v * a[1, 0]) / s2
    qy = 2.0 * (u * a[0, 1] + v * a[1, 1]) / s2
    laplacian = 2.0 * (a[0, 0] ** 2 + a[1, 0] ** 2 + a[0, 1] ** 2 + a[1, 1] ** 2) / s2
    if beta > 0.0:
        value = math.exp(-beta * math.log1p(q))
        first, second = -beta / (1.0 + q), beta * (beta + 1.0) / (1.0 + q) ** 2
    else:
        value, first, second = math.exp(-0.5 * q), -0.5, 0.25
    return float(value * (1.0 + (second * (qx * qx + qy * qy) + first * laplacian) / 24.0))


@njit(cache=True, nogil=True)
def add_stars(
    image: FloatArray,
    cell: npt.NDArray[np.int64],
    x: FloatArray,
    y: FloatArray,
    electrons: FloatArray,
    radius_px: FloatArray,
    shapes: FloatArray,
    scale: float,
    peak: float,
    beta: float,
) -> None:
    """Add stars to a mosaic frame, each sample taking the light of its own plane.

    Parameters
    ----------
    image : (ny, nx) float64, electrons
        Changed in place.
    cell : (2, 2) int64
        Plane index of ``[y % 2, x % 2]``.
    x, y : (n, planes) float64
        Positions in pixels, one per plane.
    electrons : (n, planes) float64
    radius_px : (n,) float64
        How far each star is drawn.
    shapes : (planes, 2, 2) float64
        One `shape_matrix` per plane.
    scale, peak, beta : float
        `Profile` of all stars.
    """
    ny, nx = image.shape
    planes = shapes.shape[0]
    norm = np.empty(planes)
    for p in range(planes):
        a = shapes[p]
        norm[p] = peak * abs(a[0, 0] * a[1, 1] - a[0, 1] * a[1, 0])
    for s in range(x.shape[0]):
        r = radius_px[s]
        y0, y1 = max(0, math.ceil(y[s].min() - r)), min(ny - 1, math.floor(y[s].max() + r))
        x0, x1 = max(0, math.ceil(x[s].min() - r)), min(nx - 1, math.floor(x[s].max() + r))
        for j in range(y0, y1 + 1):
            for i in range(x0, x1 + 1):
                p = cell[j % 2, i % 2]
                dx, dy = i - x[s, p], j - y[s, p]
                if dx * dx + dy * dy > r * r:
                    continue
                image[j, i] += electrons[s, p] * norm[p] * _pixel(dx, dy, shapes[p], scale, beta)
