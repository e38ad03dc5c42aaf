"""How dark current grows with temperature: by a doubling interval, and by an activation energy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["BOLTZMANN_EV", "DarkLaw", "dark_law", "doubling_of_energy"]

FloatArray = npt.NDArray[np.float64]

BOLTZMANN_EV = 8.617333262e-5
"""Boltzmann constant, eV per kelvin (CODATA 2018)."""
ZERO_C = 273.15
_ROUNDS = 50


@dataclass(frozen=True, slots=True)
class DarkLaw:
    """Dark current over temperature, fitted in both forms."""

    reference_c: float
    """Temperature to which both are referred, deg C."""
    current: float
    """At that temperature, by the doubling law; unit of the currents that were given."""
    current_error: float
    doubling_k: float
    """Warming that doubles it: ``I = I_ref 2^((T - T_ref) / T_d)`` (EMVA 1288, temperature dependence)."""
    doubling_error_k: float
    energy_ev: float
    """Of ``I = I_ref exp(-E / k (1/T - 1/T_ref))``."""
    energy_error_ev: float
    misfit: tuple[float, float]
    """Chi-squared of the two forms."""
    freedom: int
    """Currents less the two numbers of a law; 0 says that nothing checks it."""

    def doubling(self, temperature_c: FloatArray) -> FloatArray:
        """Current by the doubling law."""
        return np.asarray(self.current * 2.0 ** ((temperature_c - self.reference_c) / self.doubling_k))


def doubling_of_energy(energy_ev: float, temperature_c: float) -> float:
    """Warming that doubles a current of an activation energy, near a temperature: ``k T^2 ln 2 / E``.

    >>> round(doubling_of_energy(0.633, 20.0), 2)
    8.11
    """
    return float(BOLTZMANN_EV * (temperature_c + ZERO_C) ** 2 * np.log(2) / energy_ev)


def dark_law(temperature_c: FloatArray, current: FloatArray, error: FloatArray) -> DarkLaw | None:
    """Both laws by least squares on the currents themselves, which may be near zero or below by chance.

    Parameters
    ----------
    temperature_c, current, error : (n,) float64
        Two temperatures at least.

    Returns
    -------
    DarkLaw or None
        None with fewer than two currents that differ from zero, or where they do not grow.

    Notes
    -----
    Errors are enlarged by the root of chi-squared over its degrees of freedom where that is above 1.
    """
    good = np.isfinite(current) & (error > 0)
    t, y, sigma = temperature_c[good], current[good], error[good]
    sure = y > 3 * sigma
    if sure.sum() < 2 or np.ptp(t[sure]) <= 0:
        return None
    reference = float(np.average(t[sure]))
    kelvin = t + ZERO_C
    inverse = (1 / (reference + ZERO_C) - 1 / kelvin) / BOLTZMANN_EV
    fits = [_exponential(x, y, sigma, sure) for x in ((t - reference) * np.log(2), inverse)]
    if any(fit is None or fit[1] <= 0 for fit in fits):
        return None
    (log_a, rate, cov_a, chi_a), (_, energy, cov_e, chi_e) = fits  # type: ignore[misc]
    freedom = len(t) - 2
    scales = [max(1.0, chi / freedom) ** 0.5 if freedom else 1.0 for chi in (chi_a, chi_e)]
    value = float(np.exp(log_a))
    return DarkLaw(
        reference,
        value,
        value * scales[0] * cov_a[0, 0] ** 0.5,
        1 / rate,
        scales[0] * cov_a[1, 1] ** 0.5 / rate**2,
        energy,
        scales[1] * cov_e[1, 1] ** 0.5,
        (chi_a, chi_e),
        freedom,
    )


def _exponential(
    x: FloatArray, y: FloatArray, sigma: FloatArray, sure: npt.NDArray[np.bool_]
) -> tuple[float, float, FloatArray, float] | None:
    """``exp(a + b x)`` by Gauss and Newton: a, b, covariance and chi-squared."""
    weight = (y[sure] / sigma[sure]) ** 2
    design = np.stack([np.ones(len(x)), x], axis=1)
    normal = design[sure].T @ (weight[:, None] * design[sure])
    if np.linalg.det(normal) <= 0:
        return None
    found = np.linalg.solve(normal, design[sure].T @ (weight * np.log(y[sure])))
    for _ in range(_ROUNDS):
        model = np.exp(np.clip(design @ found, -700, 700))
        slopes = design * (model / sigma)[:, None]
        normal = slopes.T @ slopes
        if not np.isfinite(normal).all() or np.linalg.det(normal) <= 0:
            return None
        step = np.linalg.solve(normal, slopes.T @ ((y - model) / sigma))
        found = found + np.clip(step, -1.0, 1.0)
        if np.abs(step).max() < 1e-10:
            break
    model = np.exp(design @ found)
    return (
        float(found[0]),
        float(found[1]),
        np.asarray(np.linalg.inv(normal), dtype=np.float64),
        float((((y - model) / sigma) ** 2).sum()),
    )
