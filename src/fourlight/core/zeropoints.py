"""Zero points of several channels from the same stars: a robust straight line over colour for each of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["FEWEST", "ZeroPoints", "zero_points"]

Float64 = npt.NDArray[np.float64]

FEWEST = 5
"""Stars from which on a zero point is told: two numbers are fitted, and scatter needs some that are left."""

BIWEIGHT = 4.685
"""Of Tukey's weights: 95 % as good as least squares where errors are normal."""
ROUNDS = 30
LEAST_SCATTER = 0.005
"""Magnitudes; no catalogue is better."""


@dataclass(frozen=True, slots=True)
class ZeroPoints:
    """Lines ``value + slope * colour`` of c channels."""

    value: Float64
    """(c,) at colour 0, magnitudes."""
    slope: Float64
    """(c,) magnitudes per magnitude of colour."""
    covariance: Float64
    """(2c, 2c) of value and slope of the first channel, of the second, ...; of the same stars, so that what errors of
    the catalogue have in common drops out of differences between channels."""
    scatter: Float64
    """(c,) of single stars around the line, outliers aside, magnitudes."""
    beyond: Float64
    """(c,) what of it the known errors do not explain; 0.005 at least."""
    weight: Float64
    """(n,) robust weight of each star, 0 to 1."""

    @property
    def error(self) -> Float64:
        """(c,) standard error of ``value``."""
        return np.asarray(np.sqrt(np.diag(self.covariance)[0::2]))

    @property
    def slope_error(self) -> Float64:
        """(c,) standard error of ``slope``."""
        return np.asarray(np.sqrt(np.diag(self.covariance)[1::2]))

    def at(self, colour: float) -> tuple[Float64, Float64]:
        """(c,) zero points for stars of a colour, and their covariance (c, c)."""
        count = len(self.value)
        pick = np.zeros((count, 2 * count))
        pick[np.arange(count), 2 * np.arange(count)] = 1.0
        pick[np.arange(count), 2 * np.arange(count) + 1] = colour
        return self.value + self.slope * colour, np.asarray(pick @ self.covariance @ pick.T)


def zero_points(deviation: Float64, sigma: Float64, colour: Float64, slope_sigma: float) -> ZeroPoints:
    """Fit the lines of all channels with the same weights of stars.

    Weights fall with the errors that are known and with how far a star lies off in the channel where it lies off most
    (Tukey's biweight). What stars scatter beyond the known errors is added to them. Errors are those of the residuals
    themselves (White 1980, Econometrica 48, 817), so that they hold where errors are not as supposed.

    Parameters
    ----------
    deviation : (n, c) float64
        What a star says of the zero point of each channel, magnitudes.
    sigma : (n,) float64
        Known error of that, one star against another.
    colour : (n,) float64
        Less the colour for which ``value`` is wanted.
    slope_sigma : float
        How far slopes may be from 0, one standard deviation: holds them where stars are few or of one colour.

    Raises
    ------
    ValueError
        There are fewer than `FEWEST` stars.

    Examples
    --------
    >>> colour = np.linspace(-0.5, 0.5, 20)
    >>> found = zero_points(20.0 + 0.1 * colour[:, None], np.full(20, 0.01), colour, 1.0)
    >>> found.value.round(3).tolist(), found.slope.round(3).tolist()
    ([20.0], [0.1])
    """
    count, channels = deviation.shape
    if count < FEWEST:
        raise ValueError(f"{count} stars; {FEWEST} are needed")
    design = np.column_stack([np.ones(count), colour])
    held = np.diag([0.0, 1.0 / slope_sigma**2])
    value = np.median(deviation, axis=0)
    lines, scatter = np.vstack([value, np.zeros(channels)]), np.full(channels, LEAST_SCATTER)
    weight = np.ones(count)
    for _ in range(ROUNDS):
        left = deviation - design @ lines
        scatter = np.array([_scatter(left[:, c], sigma) for c in range(channels)])
        total = np.sqrt(sigma[:, None] ** 2 + scatter**2)
        pull = np.abs(left / total).max(axis=1)
        weight = np.where(pull < BIWEIGHT, (1 - (pull / BIWEIGHT) ** 2) ** 2, 0.0)
        if (weight > 0).sum() < FEWEST:
            weight = np.where(pull <= np.sort(pull)[FEWEST - 1], 0.1, 0.0)
        precision = weight / (total**2).mean(axis=1)
        normal = (design * precision[:, None]).T @ design + held
        once = np.linalg.solve(normal, (design * precision[:, None]).T @ deviation)
        moved = float(np.abs(once - lines).max())
        lines = once
        if moved < 1e-7:
            break
    left = deviation - design @ lines
    covariance = _covariance(design, precision, normal, held, left / _bend(pull))
    seen = 1.4826 * np.median(np.abs(left[weight > 0]), axis=0)
    return ZeroPoints(lines[0], lines[1], covariance, seen, scatter, weight)


def _bend(pull: Float64) -> float:
    """How much less a line follows its stars than fixed weights would: a star that moves off also loses weight.

    Mean derivative of the biweight's influence over its mean weight (Huber 1981, Robust Statistics, section 7.6). It
    holds for errors that channels share; of their differences, errors are told up to a fifth too large by it.
    """
    inside = (pull / BIWEIGHT)[pull < BIWEIGHT] ** 2
    if len(inside) == 0:
        return 1.0
    follows = ((1 - inside) * (1 - 5 * inside)).sum() / ((1 - inside) ** 2).sum()
    return float(np.clip(follows, 0.5, 1.0))


def _scatter(left: Float64, sigma: Float64) -> float:
    """Scatter of residuals beyond known errors: the value with which the median pull is that of normal ones."""
    low, high = LEAST_SCATTER, max(10 * float(np.median(np.abs(left))), 2 * LEAST_SCATTER)
    for _ in range(40):
        middle = np.sqrt(low * high)
        wide = np.median(np.abs(left) / np.hypot(sigma, middle)) > 0.6745
        low, high = (middle, high) if wide else (low, middle)
    return float(high)


def _covariance(
    design: Float64, precision: Float64, normal: Float64, held: Float64, left: Float64
) -> Float64:
    """(2c, 2c) of all lines from the residuals; what holds the slopes adds its own part."""
    channels = left.shape[1]
    inverse = np.linalg.inv(normal)
    lever = (design * precision[:, None]) @ inverse.T
    # what a star pulls the line towards itself takes from its residual (MacKinnon & White 1985, HC2)
    own = np.clip((lever * design).sum(axis=1), 0.0, 0.9)
    straight = left / np.sqrt(1.0 - own)[:, None]
    out = np.einsum("ni,nc,nj,nd->cidj", lever, straight, lever, straight, optimize=True)
    for c in range(channels):
        out[c, :, c, :] += inverse @ held @ inverse
    return np.asarray(out.reshape(2 * channels, 2 * channels))
