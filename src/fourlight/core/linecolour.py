"""The colour that emission lines have for the eye, on an sRGB display.

Pure spectral light lies outside of what a display can show: white of no brightness is not there to be taken away, so it
is added until no primary is below zero, and the brightness is kept.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from fourlight.core.colour import LUMINANCE_WEIGHTS
from fourlight.core.spectra import LINES_NM

__all__ = ["LINE_XYZ", "XYZ_TO_SRGB", "displayable", "seen_colour"]

Float64 = npt.NDArray[np.float64]

LINE_XYZ: dict[str, tuple[float, float, float]] = {
    "hbeta": (0.05114, 0.17719, 0.57818),
    "oiii_weak": (0.01244, 0.26891, 0.33689),
    "oiii": (0.00414, 0.33347, 0.26304),
    "nii_weak": (0.22099, 0.08249, 0.0),
    "halpha": (0.20397, 0.07592, 0.0),
    "nii": (0.18155, 0.06733, 0.0),
    "sii": (0.07864, 0.02876, 0.0),
    "sii_strong": (0.07173, 0.02620, 0.0),
}
"""Colour matching functions of the CIE 1931 standard observer at the lines, per unit of energy, straight between the
tabulated nanometres."""

XYZ_TO_SRGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
"""To linear light of the primaries (IEC 61966-2-1)."""


def seen_colour(photons: Mapping[str, float]) -> Float64:
    """Linear sRGB of light that holds so many photons of each line, as the eye sees them together.

    Parameters
    ----------
    photons : mapping of a name of `LINE_XYZ` to float

    Returns
    -------
    (3,) float64
        Relative luminance is that of the CIE per unit of energy at 500.68 nm; primaries may be below zero.

    Examples
    --------
    >>> seen_colour({"oiii": 1.0}).round(3).tolist()
    [-0.63, 0.632, 0.21]
    """
    xyz = np.zeros(3)
    for name, count in photons.items():
        # A photon of longer waves brings less energy.
        xyz += count * LINES_NM["oiii"] / LINES_NM[name] * np.array(LINE_XYZ[name])
    return np.asarray(XYZ_TO_SRGB @ xyz)


def displayable(rgb: Float64) -> Float64:
    """A colour that a display has: white is mixed in until no primary is below zero, at the same luminance.

    Parameters
    ----------
    rgb : (..., 3) float64
        Linear light, of a luminance above zero.

    Examples
    --------
    >>> displayable(np.array([-0.1, 1.0, 0.5])).round(4).tolist()
    [0.0, 0.9675, 0.5277]
    """
    bright = (rgb @ np.array(LUMINANCE_WEIGHTS))[..., None]
    low = np.minimum(rgb.min(axis=-1, keepdims=True), 0.0)
    share = -low / np.maximum(bright - low, 1e-300)
    return np.asarray(np.maximum(rgb + share * (bright - rgb), 0.0))
