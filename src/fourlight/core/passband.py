"""Passbands over wavelength: their shape, their shift in a converging beam, and what sums them up.

Curves are shares of photons (electrons or photons out per photon in), wavelengths are in nanometres.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

__all__ = [
    "cone",
    "edge_power",
    "equivalent_nm",
    "flat_top",
    "mean_nm",
    "pivot_nm",
    "spans",
    "tilted_nm",
    "weights",
]

Float64 = npt.NDArray[np.float64]

LN2 = math.log(2.0)
NOTHING = 2000.0
"""Exponent of 2 at which a band counts as dark; 2 to its negative is zero."""
TEN, NINETY = math.log(10.0) / LN2, math.log(1.0 / 0.9) / LN2
"""Exponents at which a band has fallen to 10 and 90 % of its top."""


def flat_top(wave_nm: npt.ArrayLike, centre_nm: float, width_nm: float, power: float) -> Float64:
    """Transmission of a band that is flat on top with steep edges: 2 to the -|2 (lambda - centre) / width| ^ power.

    Its full width at half maximum is ``width_nm`` whatever the power; at power 8 it is 0.997 half way to the edge.

    >>> flat_top([500.0, 505.0, 520.0], 500.0, 10.0, 8.0).round(3).tolist()
    [1.0, 0.5, 0.0]
    """
    offset = np.abs(np.asarray(wave_nm, dtype=np.float64) - centre_nm) / (0.5 * width_nm)
    return np.asarray(np.exp(-LN2 * np.minimum(offset, NOTHING ** (1.0 / power)) ** power))


def edge_power(edge: float) -> float:
    """Power of `flat_top` whose edges fall from 90 to 10 % within a part ``edge`` of its width (0.003 to 0.8).

    >>> round(edge_power(0.18585), 2)
    8.0
    """
    low, high = 1.0, 5000.0
    for _ in range(100):
        middle = math.sqrt(low * high)
        wide = 0.5 * (TEN ** (1.0 / middle) - NINETY ** (1.0 / middle)) > edge
        low, high = (middle, high) if wide else (low, middle)
    return math.sqrt(low * high)


def tilted_nm(wave_nm: npt.ArrayLike, sin2: npt.ArrayLike, index: float) -> Float64:
    """Wavelength to which what an interference filter does at ``wave_nm`` moves for light that comes in askew.

    lambda sqrt(1 - sin^2(angle) / index^2), with the effective refractive index of the layers (Lissberger & Wilcock
    1959; Smith, Modern Optical Engineering). It holds up to some 20 to 30 degrees; beyond, the two polarisations part.

    Parameters
    ----------
    wave_nm, sin2 : array-like
        Square of the sine of the angle of incidence in air; the two are broadcast.
    index : float
        1.5 to 2.1 for most coatings.

    Examples
    --------
    >>> round(float(tilted_nm(532.0, np.sin(np.radians(10.0)) ** 2, 1.85)), 2)
    529.65
    """
    return np.asarray(np.asarray(wave_nm) * np.sqrt(1.0 - np.asarray(sin2) / index**2))


def cone(f_ratio: float, obstruction: float, count: int = 64) -> tuple[Float64, Float64]:
    """Directions in the light of one star: squares of the sines of their angles, and their shares, which sum to 1.

    A corrected telescope sends light that enters at distance r from its axis to the focus at the sine r / f (Abbe), so
    that light of an evenly lit pupil is even in sin^2 between the edge of the obstruction and 1 / (2 f_ratio). The
    filter is in the converging beam, on the axis. Nodes are those of Gauss and Legendre.

    Parameters
    ----------
    f_ratio : float
        Focal length over aperture, above 0.5.
    obstruction : float
        Diameter of what stands in the middle of the aperture over that of the aperture, 0 to less than 1.

    Examples
    --------
    >>> sin2, share = cone(2.0, 0.0)
    >>> round(float(share @ sin2), 6), round(float(sin2.max()), 3)
    (0.03125, 0.062)
    """
    high = 1.0 / (2.0 * f_ratio) ** 2
    low = high * obstruction**2
    node, share = np.polynomial.legendre.leggauss(count)
    return np.asarray(low + 0.5 * (node + 1.0) * (high - low)), np.asarray(0.5 * share)


def weights(wave_nm: Float64) -> Float64:
    """Weights (n,) of the trapezoidal rule, nm: their product with a curve is its integral.

    >>> weights(np.array([400.0, 401.0, 403.0])).tolist()
    [0.5, 1.5, 1.0]
    """
    step = np.diff(wave_nm)
    return np.asarray(0.5 * (np.concatenate([step, [0.0]]) + np.concatenate([[0.0], step])))


def equivalent_nm(wave_nm: Float64, curve: Float64) -> Float64:
    """Integral over wavelength, nm, of the last axis: width of a band that passes everything and as much light.

    >>> float(equivalent_nm(np.array([400.0, 500.0, 600.0]), np.array([0.0, 0.5, 0.0])))
    50.0
    """
    return np.asarray(curve @ weights(wave_nm))


def mean_nm(wave_nm: Float64, curve: Float64) -> float:
    """Mean wavelength of the photons that count, of a source with as many at every wavelength; NaN where none count.

    >>> mean_nm(np.array([400.0, 500.0, 600.0]), np.array([0.0, 0.5, 0.0]))
    500.0
    """
    share = weights(wave_nm) * curve
    return float(share @ wave_nm / share.sum()) if share.sum() > 0 else float("nan")


def pivot_nm(wave_nm: Float64, curve: Float64) -> float:
    """Wavelength that turns flux per wavelength into flux per frequency for this band; NaN where nothing counts.

    sqrt(integral of P lambda over integral of P / lambda), P per photon (Koornneef et al. 1986; Bessell & Murphy 2012,
    equation A11).

    >>> round(pivot_nm(np.array([400.0, 500.0, 600.0]), np.array([0.0, 0.5, 0.0])), 6)
    500.0
    """
    share = weights(wave_nm) * curve
    return float(np.sqrt(share @ wave_nm / (share @ (1.0 / wave_nm)))) if share.sum() > 0 else float("nan")


def spans(wave_nm: Float64, curve: Float64, level: float = 0.5) -> list[tuple[float, float]]:
    """Where a curve is above a part of its highest value: shortest and longest wavelength (nm) of each stretch.

    The curve is straight between its points; a stretch that reaches the end of the curve ends there.

    >>> spans(np.array([400.0, 500.0, 600.0, 700.0]), np.array([0.0, 0.8, 0.0, 0.6]))
    [(450.0, 550.0), (666.6666666666666, 700.0)]
    """
    top = float(curve.max(initial=0.0))
    if top <= 0:
        return []
    over = curve >= level * top
    turns = np.flatnonzero(over[1:] != over[:-1])
    share = (level * top - curve[turns]) / (curve[turns + 1] - curve[turns])
    places = (wave_nm[turns] + share * (wave_nm[turns + 1] - wave_nm[turns])).tolist()
    places = [float(wave_nm[0])] * bool(over[0]) + places + [float(wave_nm[-1])] * bool(over[-1])
    return list(zip(places[::2], places[1::2], strict=True))
