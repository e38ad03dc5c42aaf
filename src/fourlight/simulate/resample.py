"""Exact blur and placement of a smooth picture: Fourier transfer function, then cubic B-spline evaluation.

The picture is the band-limited function through its samples. Point spread, pixel area and the spline's own
response are applied in one multiplication, so that four by four coefficients give the value at any position.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy import fft

from fourlight.simulate.psf import Profile

__all__ = ["Canvas", "add_spline", "blurred"]

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

_TABLE = 4096
_HIGHEST = 12.0
"""Cycles per full width at half maximum where the transfer function is taken as zero."""
_BOX_HIGHEST = 4.0
_BOX = np.sinc(np.linspace(0.0, _BOX_HIGHEST, _TABLE))
"""Transfer function of the side of a pixel against cycles per pixel."""


@dataclass(frozen=True)
class Canvas:
    """A picture larger than all frames: its Fourier transform, and its corner on the truth grid."""

    transform: npt.NDArray[np.complex64]
    ny: int
    nx: int
    x0: int
    y0: int


def blurred(
    canvas: Canvas, matrix: FloatArray, shape: FloatArray, profile: Profile, *, spline: bool = True
) -> Float32Array:
    """Picture after point spread and pixel area of a frame, as B-spline coefficients or as samples.

    Parameters
    ----------
    canvas : Canvas
    matrix : (2, 2) or (2, 3) float64
        From frame pixel to truth pixel; shape and pixel area belong to the frame.
    shape : (2, 2) float64
        `shape_matrix` of the frame.
    profile : Profile
    spline : bool
        True: coefficients for `add_spline`; False: values at the canvas pixels.

    Returns
    -------
    (ny, nx) float32
        Per truth pixel: multiply by the determinant of ``matrix`` for the light on one frame pixel.
    """
    table = profile.transfer(np.linspace(0.0, _HIGHEST, _TABLE))
    turn = np.ascontiguousarray(matrix[:, :2].T)
    inverse = np.ascontiguousarray(np.linalg.inv(shape).T @ turn)
    fx = np.fft.rfftfreq(canvas.nx).astype(np.float64)
    fy = np.fft.fftfreq(canvas.ny).astype(np.float64)
    sharp_x = 3.0 / (2.0 + np.cos(2.0 * np.pi * fx)) if spline else np.ones_like(fx)
    sharp_y = 3.0 / (2.0 + np.cos(2.0 * np.pi * fy)) if spline else np.ones_like(fy)
    product = _filtered(canvas.transform, fy, fx, sharp_y, sharp_x, turn, inverse, table, _BOX)
    return np.asarray(fft.irfft2(product, s=(canvas.ny, canvas.nx), overwrite_x=True, workers=1))


@njit(cache=True, nogil=True)
def _looked_up(table: FloatArray, place: float) -> float:
    """Linear interpolation; zero beyond the end of the table."""
    k = int(place)
    if k >= table.shape[0] - 1:
        return 0.0
    return float(table[k] + (place - k) * (table[k + 1] - table[k]))


@njit(cache=True, nogil=True)
def _filtered(
    transform: npt.NDArray[np.complex64],
    fy: FloatArray,
    fx: FloatArray,
    sharp_y: FloatArray,
    sharp_x: FloatArray,
    turn: FloatArray,
    inverse: FloatArray,
    table: FloatArray,
    box: FloatArray,
) -> npt.NDArray[np.complex64]:
    out = np.empty_like(transform)
    step = (table.shape[0] - 1) / _HIGHEST
    box_step = (box.shape[0] - 1) / _BOX_HIGHEST
    for j in range(fy.shape[0]):
        for i in range(fx.shape[0]):
            u = inverse[0, 0] * fx[i] + inverse[0, 1] * fy[j]
            v = inverse[1, 0] * fx[i] + inverse[1, 1] * fy[j]
            gain = _looked_up(table, math.sqrt(u * u + v * v) * step)
            gain *= _looked_up(box, abs(turn[0, 0] * fx[i] + turn[0, 1] * fy[j]) * box_step)
            gain *= _looked_up(box, abs(turn[1, 0] * fx[i] + turn[1, 1] * fy[j]) * box_step)
            out[j, i] = transform[j, i] * np.float32(gain * sharp_y[j] * sharp_x[i])
    return out


@njit(cache=True, nogil=True)
def _weights(t: float, out: FloatArray) -> None:
    out[0] = (1.0 - t) ** 3 / 6.0
    out[1] = (3.0 * t**3 - 6.0 * t**2 + 4.0) / 6.0
    out[2] = (-3.0 * t**3 + 3.0 * t**2 + 3.0 * t + 1.0) / 6.0
    out[3] = t**3 / 6.0


@njit(cache=True, nogil=True)
def add_spline(
    image: FloatArray,
    cell: npt.NDArray[np.int64],
    plane: int,
    coefficients: Float32Array,
    matrix: FloatArray,
    factor: float,
) -> None:
    """Add the spline surface to the samples of one colour.

    Parameters
    ----------
    image : (ny, nx) float64
        Changed in place.
    cell : (2, 2) int64
        Colour index of ``[y % 2, x % 2]``.
    plane : int
        Colour to fill.
    coefficients : (cy, cx) float32
    matrix : (2, 3) float64
        From frame pixel (x, y) to canvas pixel; positions outside the canvas add nothing.
    factor : float
        Multiplies the surface.
    """
    ny, nx = image.shape
    cy, cx = coefficients.shape
    wx, wy = np.empty(4), np.empty(4)
    for j in range(ny):
        for i in range(nx):
            if cell[j % 2, i % 2] != plane:
                continue
            x = matrix[0, 0] * i + matrix[0, 1] * j + matrix[0, 2]
            y = matrix[1, 0] * i + matrix[1, 1] * j + matrix[1, 2]
            x0, y0 = math.floor(x) - 1, math.floor(y) - 1
            if x0 < 0 or y0 < 0 or x0 + 3 >= cx or y0 + 3 >= cy:
                continue
            _weights(x - x0 - 1, wx)
            _weights(y - y0 - 1, wy)
            total = 0.0
            for b in range(4):
                row = 0.0
                for a in range(4):
                    row += wx[a] * coefficients[y0 + b, x0 + a]
                total += wy[b] * row
            image[j, i] += factor * total
