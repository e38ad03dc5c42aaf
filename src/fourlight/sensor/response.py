"""Spectral response of colour sensors and the filters in front of them.

A response is a share of photons turned into electrons, per colour of the mosaic, on the wavelength grid
`WAVE_NM`.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from importlib import resources

import numpy as np
import numpy.typing as npt

__all__ = [
    "COLOURS",
    "FILTERS",
    "SENSORS",
    "WAVE_NM",
    "electrons_per_photon",
    "filter_curve",
    "sensor_curves",
]

FloatArray = npt.NDArray[np.float64]

COLOURS = ("R", "G", "B")
WAVE_NM: FloatArray = np.arange(380.0, 801.0, 1.0)

SENSORS = {"bsi-8mp": "bsi_8mp.csv", "bsi-5mp": "bsi_5mp.csv"}
"""Sensor name to the table in ``sensor/tables`` (source and licence in SOURCES.md there)."""

FILTERS: dict[str, tuple[tuple[float, float], ...]] = {
    "none": ((590.0, 420.0),),
    "luminance": ((550.0, 300.0),),
    "dual-7nm": ((500.7, 7.0), (656.3, 7.0)),
    "dual-3nm": ((500.7, 3.0), (656.3, 3.0)),
    "dual-wide": ((496.0, 30.0), (656.3, 20.0)),
}
"""Filter name to passbands (centre, full width at half maximum), nm. Design widths, not measured curves."""

_EDGE_POWER = 8


@cache
def _table(name: str) -> FloatArray:
    text = resources.files("fourlight.sensor").joinpath("tables", SENSORS[name]).read_text("utf-8")
    rows = [line.split(",") for line in text.splitlines()[1:] if line.strip()]
    return np.array(rows, dtype=np.float64)


def sensor_curves(name: str, peak_qe: float = 1.0) -> FloatArray:
    """Quantum efficiency of the three colours of a sensor.

    Parameters
    ----------
    name : str
        One of `SENSORS`.
    peak_qe : float
        Quantum efficiency at the highest point of the three curves, 0 to 1; the tables are relative.

    Returns
    -------
    (3, n) float64
        R, G, B on `WAVE_NM`; zero outside the measured 400 to 700 nm.
    """
    if name not in SENSORS:
        raise ValueError(f"sensor {name!r} is not one of {', '.join(SENSORS)}")
    table = _table(name)
    curves = [np.interp(WAVE_NM, table[:, 0], table[:, k], left=0.0, right=0.0) for k in (1, 2, 3)]
    return np.asarray(np.array(curves) * (peak_qe / table[:, 1:].max()))


def filter_curve(bands: Sequence[tuple[float, float]], transmission: float = 1.0) -> FloatArray:
    """Transmission of a filter with flat-topped passbands.

    Parameters
    ----------
    bands : sequence of (centre_nm, width_nm)
        Width is the full width at half maximum; the shape is a super-Gaussian of power 8, flat with steep
        edges like those of an interference filter: 0.5 at half the width, 0.997 at half of that.
    transmission : float
        At the centre of a band, 0 to 1.

    Returns
    -------
    (n,) float64
        On `WAVE_NM`.
    """
    curve = np.zeros_like(WAVE_NM)
    for centre, width in bands:
        offset = np.abs(WAVE_NM - centre) / (0.5 * width)
        curve = np.maximum(curve, np.exp(-np.log(2.0) * offset**_EDGE_POWER))
    return np.asarray(curve * transmission)


def electrons_per_photon(curves: FloatArray, wavelength_nm: float) -> FloatArray:
    """Response of each colour at one wavelength, for an emission line; ``(3,)``, electrons per photon."""
    return np.array([np.interp(wavelength_nm, WAVE_NM, curve) for curve in curves])
