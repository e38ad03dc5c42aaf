"""Light as a display shows it: the sRGB curve and luminance."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = [
    "DISPLAY_P3",
    "LUMINANCE_WEIGHTS",
    "SRGB",
    "WHITE",
    "Primaries",
    "chromaticity",
    "luminance",
    "srgb_decode",
    "srgb_encode",
    "to_xyz",
]

Float64 = npt.NDArray[np.float64]
Primaries = tuple[tuple[float, float], ...]

SRGB: Primaries = ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060))
"""Chromaticities x, y of red, green and blue (ITU-R BT.709)."""
DISPLAY_P3: Primaries = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))
"""The same of displays with a wider range of colours (SMPTE RP 431-2)."""
WHITE = (0.3127, 0.3290)
"""D65."""
LUMINANCE_WEIGHTS = (0.2126, 0.7152, 0.0722)
"""Share of linear R, G, B light in relative luminance (ITU-R BT.709)."""


def srgb_encode(linear: npt.ArrayLike) -> npt.NDArray[np.floating]:
    """Encoded value of linear light, both 0 to 1 (IEC 61966-2-1); float32 stays float32.

    Negative light follows the straight part, values above 1 the curve. NaN stays NaN.

    >>> round(float(srgb_encode(0.18)), 7)
    0.4613561
    """
    light = _floating(linear)
    curve = 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, 12.92 * light, curve).astype(light.dtype)


def srgb_decode(encoded: npt.ArrayLike) -> npt.NDArray[np.floating]:
    """Linear light of an encoded value, both 0 to 1 (IEC 61966-2-1); float32 stays float32.

    >>> round(float(srgb_decode(0.5)), 7)
    0.2140411
    """
    value = _floating(encoded)
    curve = ((np.maximum(value, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.where(value <= 0.04045, value / 12.92, curve).astype(value.dtype)


def _floating(values: npt.ArrayLike) -> npt.NDArray[np.floating]:
    array = np.asarray(values)
    return array if array.dtype in (np.float32, np.float64) else array.astype(np.float64)


def luminance(rgb: npt.NDArray[np.floating]) -> npt.NDArray[np.floating]:
    """Relative luminance of linear light, ``(..., 3)`` to ``(...)`` (ITU-R BT.709 weights).

    >>> float(luminance(np.array([1.0, 1.0, 1.0])))
    1.0
    """
    red, green, blue = LUMINANCE_WEIGHTS
    return np.asarray(red * rgb[..., 0] + green * rgb[..., 1] + blue * rgb[..., 2])


def chromaticity(place: tuple[float, float]) -> Float64:
    """(3,) XYZ of a chromaticity x, y with a luminance of 1."""
    x, y = place
    return np.array([x / y, 1.0, (1 - x - y) / y])


def to_xyz(primaries: Primaries) -> Float64:
    """(3, 3) XYZ of linear light of primaries whose sum is D65 white.

    >>> to_xyz(SRGB)[1].round(4).tolist()
    [0.2126, 0.7152, 0.0722]
    """
    columns = np.column_stack([chromaticity(place) for place in primaries])
    return np.asarray(columns * np.linalg.solve(columns, chromaticity(WHITE)))
