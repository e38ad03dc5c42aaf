"""Colour as the eye sees it: lightness, and two axes of colour that leave lightness alone (Oklab, Ottosson 2020).

Scaling light by a factor scales all three numbers by its cube root. That is what `coloured` uses: it gives colours a
wanted lightness, and draws those that a display cannot show towards grey of the same lightness, their hue kept.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.colour import SRGB, Primaries, to_xyz

__all__ = ["coloured", "from_oklab", "lightness_of_grey", "to_oklab"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

CONES = np.array([
    [0.4122214708, 0.5363325363, 0.0514459929],
    [0.2119034982, 0.6806995451, 0.1073969566],
    [0.0883024619, 0.2817188376, 0.6299787005],
])  # fmt: skip
"""Answers of the three cones to linear light of sRGB primaries."""
AXES = np.array([
    [0.2104542553, 0.7936177850, -0.0040720468],
    [1.9779984951, -2.4285922050, 0.4505937099],
    [0.0259040371, 0.7827717662, -0.8086757660],
])  # fmt: skip
"""Lightness and the two axes of colour from cube roots of the answers."""
LIGHT, ROOTS = np.linalg.inv(CONES), np.linalg.inv(AXES)

KNEE, MOST = 0.7, 0.97
"""Of the strongest colour that a display shows on the way to grey: weaker than the first it stays as it is, no colour
becomes stronger than the second, so that the strongest ones do not all become one."""
HALVINGS = 10
"""Of the way to grey."""
PALE, RISE = 0.8, 0.6
"""Lightness above which a display shows weak colours only, and how fast the grey rises beyond it that colours too
strong for the display give way to: they lose some of either, and what is brighter still looks brighter. Below it they
keep their lightness."""


def to_oklab(rgb: npt.ArrayLike) -> Float64:
    """Lightness and colour (..., 3) of linear light (..., 3), white being 1, 1, 1.

    >>> to_oklab([1.0, 0.0, 0.0]).round(3).tolist()
    [0.628, 0.225, 0.126]
    """
    return np.asarray(np.cbrt(np.asarray(rgb, dtype=np.float64) @ CONES.T) @ AXES.T)


def from_oklab(lab: npt.ArrayLike) -> Float64:
    """Linear light (..., 3), which may lie outside of 0 to 1, of lightness and colour (..., 3)."""
    return np.asarray((np.asarray(lab, dtype=np.float64) @ ROOTS.T) ** 3 @ LIGHT.T)


def lightness_of_grey(light: npt.ArrayLike) -> npt.NDArray[np.floating]:
    """Lightness of grey of some linear light; 0 for none.

    >>> float(lightness_of_grey(0.125))
    0.5
    """
    return np.asarray(np.cbrt(np.maximum(light, 0)))


def coloured(
    planes: list[Float32], lightness: Float32, strength: float, primaries: Primaries = SRGB
) -> Float32:
    """Linear light (3, ny, nx), 0 to 1, of a lightness, in the colours of planes.

    Parameters
    ----------
    planes : three (ny, nx) float32
        Light of red, green and blue; their ratios alone count. Pixels without any become grey.
    lightness : (ny, nx) float32
        0 to 1; 0 is black, 1 white.
    strength : float
        Of colours: 1 keeps them, 0 makes grey.
    primaries : three (x, y)
        Of the display; planes are always those of sRGB.

    Examples
    --------
    >>> one = np.ones((1, 1), np.float32)
    >>> coloured([3 * one, one, one], 0.5 * one, 1.0)[:, 0, 0].astype(float).round(3).tolist()
    [0.249, 0.083, 0.083]
    """
    out = np.empty((3, *lightness.shape), dtype=np.float32)
    red, green, blue = planes
    light = (np.linalg.solve(to_xyz(primaries), to_xyz(SRGB)) @ LIGHT).astype(np.float32)
    _coloured(red, green, blue, lightness, np.float32(strength), light, out)
    return out


_CONES, _AXES, _ROOTS = (matrix.astype(np.float32) for matrix in (CONES, AXES, ROOTS))


@njit(cache=True, nogil=True, error_model="numpy")
def _coloured(
    red: Float32, green: Float32, blue: Float32, lightness: Float32, strength: np.float32,
    display: Float32, out: Float32,
) -> None:  # fmt: skip
    none, whole = np.float32(0.0), np.float32(1.0)
    for y in range(lightness.shape[0]):
        for x in range(lightness.shape[1]):
            r, g, b = max(red[y, x], none), max(green[y, x], none), max(blue[y, x], none)
            top = min(max(lightness[y, x], none), whole)
            own, along, across = _turned(_AXES, *_roots(*_turned(_CONES, r, g, b)))
            chroma = np.sqrt(along * along + across * across)
            if not (own > none and chroma > np.float32(1e-5) * own and top < whole):
                out[:, y, x] = top * top * top
                continue
            scale = strength * top / own
            grey, share = _shared(display, top, along * scale, across * scale)
            r, g, b = _light(
                display, grey + share * (top - grey), share * scale * along, share * scale * across
            )
            out[0, y, x] = min(max(r, none), whole)
            out[1, y, x] = min(max(g, none), whole)
            out[2, y, x] = min(max(b, none), whole)


@njit(cache=True, nogil=True, error_model="numpy")
def _turned(
    matrix: Float32, a: np.float32, b: np.float32, c: np.float32
) -> tuple[np.float32, np.float32, np.float32]:
    """A matrix times three numbers."""
    return (
        matrix[0, 0] * a + matrix[0, 1] * b + matrix[0, 2] * c,
        matrix[1, 0] * a + matrix[1, 1] * b + matrix[1, 2] * c,
        matrix[2, 0] * a + matrix[2, 1] * b + matrix[2, 2] * c,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _roots(a: np.float32, b: np.float32, c: np.float32) -> tuple[np.float32, np.float32, np.float32]:
    """Cube roots of three numbers, none of which is negative."""
    third = np.float32(1.0 / 3.0)
    return a**third, b**third, c**third


@njit(cache=True, nogil=True, error_model="numpy")
def _light(
    display: Float32, lightness: np.float32, along: np.float32, across: np.float32
) -> tuple[np.float32, np.float32, np.float32]:
    """Linear light of a lightness and a colour."""
    a, b, c = _turned(_ROOTS, lightness, along, across)
    return _turned(display, a * a * a, b * b * b, c * c * c)


@njit(cache=True, nogil=True, error_model="numpy")
def _fits(display: Float32, lightness: np.float32, along: np.float32, across: np.float32) -> bool:
    """Whether a display shows this colour."""
    r, g, b = _light(display, lightness, along, across)
    most = np.float32(1.00001)
    return bool(min(r, g, b) >= np.float32(-1e-5) and max(r, g, b) <= most)


@njit(cache=True, nogil=True, error_model="numpy")
def _shared(
    display: Float32, lightness: np.float32, along: np.float32, across: np.float32
) -> tuple[np.float32, np.float32]:
    """Lightness of the grey that a colour is drawn towards, and the share of the way from there that it stays at."""
    over = max(lightness - np.float32(PALE), np.float32(0.0))
    grey, whole = lightness - np.float32(1.0 - RISE) * over, np.float32(1.0)
    up, room = lightness - grey, whole / np.float32(KNEE)
    if _fits(display, grey + min(room * up, whole - grey), room * along, room * across):
        return grey, whole
    low, high = np.float32(0.0), room
    for _ in range(HALVINGS):
        middle = np.float32(0.5) * (low + high)
        if _fits(display, grey + middle * up, middle * along, middle * across):
            low = middle
        else:
            high = middle
    knee, span = np.float32(KNEE) * low, np.float32(MOST - KNEE) * low
    if whole <= knee:
        return grey, whole
    beyond = (whole - knee) / max(span, np.float32(1e-12))
    return grey, knee + span * beyond / (beyond + whole)
