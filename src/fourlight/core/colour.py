"""Light as a display shows it: the sRGB curve, luminance, colours brought into range with their hue kept."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = [
    "LUMINANCE_WEIGHTS",
    "compress_peaks",
    "lighten_cores",
    "luminance",
    "saturate",
    "srgb_decode",
    "srgb_encode",
]

Float32 = npt.NDArray[np.float32]

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


def saturate(ratios: Float32, strength: float) -> Float32:
    """Channel ratios raised to a power, so that hue order stays and nothing turns negative.

    Parameters
    ----------
    ratios : (ny, nx, 3) float32
        Channel over a common brightness, >= 0.
    strength : float
        1 keeps the ratios, 0 gives grey.

    >>> saturate(np.array([[[4.0, 1.0, 0.25]]], dtype=np.float32), 0.5)[0, 0].tolist()
    [2.0, 1.0, 0.5]
    """
    if strength == 1.0:
        return ratios
    return np.power(np.maximum(ratios, 0), np.float32(strength), dtype=np.float32)


def compress_peaks(rgb: Float32, knee: float = 0.7) -> Float32:
    """Linear light brought below 1 by dimming a pixel as a whole: its channel ratios never change.

    The largest channel m of a pixel stays below ``knee`` and approaches 1 smoothly above it:
    ``knee + (1 - knee) t / (1 + t)`` with ``t = (m - knee) / (1 - knee)``, slope 1 at the knee. Keeping
    the ratios of over-bright pixels follows Lupton et al. 2004 (PASP 116, 133), who divide by the largest.

    >>> compress_peaks(np.array([[2.0, 1.0, 0.5]], dtype=np.float32)).astype(float).round(3).tolist()
    [[0.944, 0.472, 0.236]]
    """
    peak = rgb.max(axis=-1)
    over = np.maximum(peak - knee, 0) / (1 - knee)
    target = knee + (1 - knee) * over / (1 + over)
    factor = np.where(peak > knee, target / np.maximum(peak, knee), 1).astype(np.float32)
    return rgb * factor[..., None]


def lighten_cores(rgb: Float32, peak: Float32, knee: float = 0.7, share: float = 0.6) -> Float32:
    """Compressed light moved towards white by how far its largest channel was over-bright.

    Without it a bright coloured star would be a flat disc of one colour. The core of a star turns pale, its
    rim keeps the hue; at most ``share`` of the way is gone.

    Parameters
    ----------
    rgb : (..., 3) float32
        Linear light after `compress_peaks`, 0 to 1.
    peak : (...) float32
        Largest channel before.

    >>> star = np.array([[0.2, 0.2, 0.9]], dtype=np.float32)
    >>> lighten_cores(star, np.array([4.0], dtype=np.float32)).astype(float).round(2).tolist()
    [[0.5, 0.5, 0.94]]
    """
    over = np.maximum(peak - np.float32(knee), 0) / np.float32(1 - knee)
    towards = (np.float32(share) * np.square(over / (over + 3)))[..., None]
    return np.asarray(rgb + towards * (1 - rgb), dtype=np.float32)
