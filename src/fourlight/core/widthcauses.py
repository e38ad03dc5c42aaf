"""Which single cause explains that stars are wider in one colour than in another, from a series of lights.

What is explained is half the excess of squared width over green, ``y_c = (w_c^2 / w_G^2 - 1) / 2``, close to the
logarithm of the ratio. Blurs are taken to add in square, which is exact for Gaussians only. Diffraction by a known
aperture is there whatever else is, and given in all causes. Of each cause y is a given part plus a few unknowns, within
bounds:

- seeing: ``((lambda_c / lambda_G)^(-2/5) - 1) / 2`` of that part of the squared width that is not of the telescope;
- diffraction: ``d^2 ((lambda_c / lambda_G)^2 - 1) / (2 w_G^2)``, d known where the aperture is;
- focus and colour of the lens: ``E_c / (2 w_G^2)``, any E for red and for blue; drifting: E changes evenly with time;
- both: turbulence in full, and any E;
- aperture: turbulence and diffraction, d not known;
- dispersion inside a filter: rms spread grows with the tangent of the zenith distance, along the vertical only. It also
  stretches stars: squared width along the vertical less that across, over w_G^2, is four times its y.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import stats
from scipy.optimize import lsq_linear

from fourlight.core.blur import airy_fwhm_arcsec, seeing_ratio

__all__ = ["CAUSES", "Explained", "Seen", "explained"]

Float64 = npt.NDArray[np.float64]

FWHM2 = 8.0 * np.log(2.0)
"""Squared FWHM over the variance of a Gaussian."""

MOST_SPREAD = 3.0
"""Squared spread by the atmosphere over that of a site 2 km high, up to which it is believed."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A series of lights; columns of (f, 2) are red and blue."""

    excess: Float64
    """(f, 2) half the excess of squared width over green, over squared width in green."""
    error: Float64
    """(f, 2) its standard error, from light to light."""
    doubt: float
    """Standard error that all lights share: what the method may be wrong by."""
    width: Float64
    """(f,) FWHM in green, arcsec where the scale is known, else pixels."""
    arcsec: bool
    hours: Float64
    """(f,) time."""
    tangent: Float64 | None
    """(f,) of the zenith distance; None where it is not known."""
    wave_nm: Float64
    """(3,) of R, G, B."""
    spread_arcsec: Float64
    """(3,) rms spread inside each filter at 45 degrees."""
    aperture_mm: float | None = None
    stretch: Float64 | None = None
    """(f, 2) squared width along the vertical less that across, less the same of green, over squared width in green."""
    stretch_error: Float64 | None = None

    @property
    def airy2(self) -> float:
        """Squared width of diffraction in green, arcsec^2; 0 where aperture or scale is not known."""
        if not (self.aperture_mm and self.arcsec):
            return 0.0
        return float(airy_fwhm_arcsec(self.wave_nm[1], self.aperture_mm)) ** 2


@dataclass(frozen=True, slots=True)
class Explained:
    """How well one cause explains a series."""

    cause: str
    score: float
    """Schwarz 1978: chi-square plus the number of unknowns times the logarithm of the number of values."""
    p: float
    """How likely deviations as large as those left are by chance."""
    predicted: Float64
    """(2,) mean of y for red and blue."""
    unknowns: Float64
    errors: Float64
    """Standard errors of the unknowns, with `Seen.doubt`."""


@dataclass(frozen=True, slots=True)
class _Model:
    """Given part and unknowns of one cause, for the values of excess (2 f,) and of stretch (2 f,), red first."""

    given: Float64
    terms: Float64
    """(4 f, unknowns)"""
    low: Float64
    high: Float64


def _model(excess: Float64, terms: list[Float64], low: list[float], high: list[float]) -> _Model:
    """Of a cause that stretches no star: (f, 2) each."""
    columns = [np.concatenate([part.T.ravel(), np.zeros(part.size)]) for part in [excess, *terms]]
    matrix = np.array(columns[1:]).T if terms else np.zeros((2 * excess.size, 0))
    return _Model(columns[0], matrix, np.array(low), np.array(high))


def _none(seen: Seen) -> _Model:
    return _model(np.zeros_like(seen.excess), [], [], [])


def _seeing(seen: Seen) -> _Model:
    full = 0.5 * (seeing_ratio(seen.wave_nm[[0, 2]], float(seen.wave_nm[1])) ** 2 - 1.0)
    whole = np.tile(full, (len(seen.width), 1))
    least = float(seen.width.min() ** 2)
    return _model(whole, [-whole / seen.width[:, None] ** 2], [min(seen.airy2, least)], [least])


def _diffraction(seen: Seen) -> _Model:
    each = _of_aperture(seen)
    if seen.airy2:
        return _model(np.zeros_like(each), [], [], [])
    return _model(np.zeros_like(each), [each], [0.0], [float(seen.width.min() ** 2)])


def _of_aperture(seen: Seen) -> Float64:
    """(f, 2) half the excess by diffraction whose squared width in green is one."""
    change = 0.5 * ((seen.wave_nm[[0, 2]] / seen.wave_nm[1]) ** 2 - 1.0)
    return np.asarray(change / seen.width[:, None] ** 2)


def _aperture(seen: Seen) -> _Model:
    seeing, other = _seeing(seen), _diffraction(seen)
    return replace(seeing, terms=seeing.terms + other.terms)


def _lens(seen: Seen) -> _Model:
    half = 0.5 / seen.width**2
    nil = np.zeros_like(half)
    terms = [np.stack([half, nil], axis=1), np.stack([nil, half], axis=1)]
    return _model(np.zeros_like(seen.excess), terms, [-np.inf] * 2, [np.inf] * 2)


def _drift(seen: Seen) -> _Model:
    lens = _lens(seen)
    late = np.tile(seen.hours - seen.hours.mean(), 4)[:, None]
    terms = np.concatenate([lens.terms, lens.terms * late], axis=1)
    return _Model(lens.given, terms, np.full(4, -np.inf), np.full(4, np.inf))


def _both(seen: Seen) -> _Model:
    """All but diffraction is taken for turbulence: what else blurs is small, or makes E a little larger or smaller."""
    share = np.maximum(1.0 - seen.airy2 / seen.width**2, 0.0)
    seeing = _seeing(seen).given * np.concatenate([np.tile(share, 2), np.ones(2 * len(share))])
    return replace(_lens(seen), given=seeing)


def _dispersion(seen: Seen) -> _Model:
    known = seen.tangent is not None and seen.arcsec
    square = seen.spread_arcsec[[0, 2]] ** 2 - seen.spread_arcsec[1] ** 2
    along = seen.tangent if seen.tangent is not None else np.ones_like(seen.width)
    stretch = FWHM2 * square * (along**2 / seen.width**2)[:, None]
    column = np.concatenate([0.25 * stretch.T.ravel(), stretch.T.ravel()])[:, None]
    return _Model(np.zeros(len(column)), column, np.zeros(1), np.array([MOST_SPREAD if known else np.inf]))


CAUSES: dict[str, Callable[[Seen], _Model]] = {
    "none": _none, "seeing": _seeing, "diffraction": _diffraction, "lens": _lens, "drift": _drift, "both": _both,
    "dispersion": _dispersion, "aperture": _aperture,
}  # fmt: skip


def explained(seen: Seen) -> list[Explained]:
    """All causes, that with the best score first."""
    given = seen.airy2 * _of_aperture(seen)
    found = []
    for name, make in CAUSES.items():
        if name == "aperture" and seen.airy2:  # the same as turbulence alone
            continue
        model = make(seen)
        if name != "none":
            model = replace(model, given=model.given + _model(given, [], [], []).given)
        found.append(_fitted(name, model, seen))
    return sorted(found, key=lambda each: each.score)


def _fitted(name: str, model: _Model, seen: Seen) -> Explained:
    values, white = _whitened(seen)
    n = len(values)
    terms, rest = white @ model.terms[:n], white @ (values - model.given[:n])
    unknowns, errors = np.zeros(0), np.zeros(0)
    if terms.shape[1]:
        size = np.maximum(np.linalg.norm(terms, axis=0), 1e-300)
        unknowns = lsq_linear(terms / size, rest, (model.low * size, model.high * size)).x / size
        errors = np.sqrt(np.diag(np.linalg.pinv((terms / size).T @ (terms / size)))) / size
    left = rest - terms @ unknowns
    power, count = float(left @ left), terms.shape[1]
    f = len(seen.width)
    predicted = (model.given + model.terms @ unknowns)[: 2 * f].reshape(2, f).mean(axis=1)
    p = float(stats.chi2.sf(power, max(n - count, 1)))
    return Explained(name, power + count * float(np.log(n)), p, predicted, unknowns, errors)


def _whitened(seen: Seen) -> tuple[Float64, Float64]:
    """Values, and the matrix that makes their errors independent and one."""
    values, errors = [seen.excess.T.ravel()], [seen.error.T.ravel()]
    if seen.stretch is not None and seen.stretch_error is not None:
        values.append(seen.stretch.T.ravel())
        errors.append(seen.stretch_error.T.ravel())
    covariance = np.diag(np.concatenate(errors) ** 2)
    f = len(seen.width)
    for first in (0, f):
        covariance[first : first + f, first : first + f] += seen.doubt**2
    return np.concatenate(values), np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)))
