"""Means, differences and slopes of values in order of time, of which neighbours have something in common.

Seeing, sky and transparency drift: what one light has, the next has in part. How strongly is not known and cannot be
read off a few dozen values, least of all where the drift hides under scatter of single lights. Here every degree of it
is tried, weighed by how well the values agree with it, and the interval is the mean over all: values plus a part that
is a first-order autoregression, with its share of the variance and its memory on a grid, variance and coefficients
integrated out (Harville 1974, restricted likelihood; Zellner 1971 for the t distribution of each).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import signal

from fourlight.core.estimates import NOTHING, Estimate

__all__ = ["contrast", "mean"]

Float64 = npt.NDArray[np.float64]

MEMORY = (0.2, 0.4, 0.6, 0.75, 0.85, 0.9, 0.95, 0.98)
"""Correlation of the drifting part from one value to the next."""
SHARE = (0.25, 0.5, 0.75, 1.0)
"""Of the drifting part in the variance."""
ALONE = 0.3
"""Probability beforehand of no drift at all, of lights; a drift is the likelier the larger its share, as its square.

Chosen so that of 12 to 60 values with a memory of up to 0.9 chance is rarely taken for an effect (see docs/claims.md).
"""
MOST = 160
"""Values of one stretch that are told apart; of more, neighbours are averaged."""
KEPT = 6
"""Lengths of nights whose kernels are kept: 7 MB each at most, in all far less than other steps of a run take."""


def _grid(alone: float = ALONE) -> tuple[tuple[tuple[float, float], ...], Float64]:
    """Degrees of correlation (memory, share), and their probabilities beforehand."""
    drift = [(memory, share) for memory in MEMORY for share in SHARE]
    weight = np.array([share**2 for _, share in drift])
    return ((0.0, 0.0), *drift), np.concatenate(([alone], (1 - alone) * weight / weight.sum()))


@dataclass(frozen=True, slots=True)
class _Stretch:
    """One night, its neighbours averaged where it is long."""

    first: int
    sizes: tuple[int, ...]
    """Values in each mean."""


@lru_cache(maxsize=KEPT)
def _kernels(sizes: tuple[int, ...], step: int) -> tuple[Float64, Float64]:
    """(k, n, n) inverse covariances of n means for each degree, and (k,) logarithms of determinants.

    Parameters
    ----------
    sizes : tuple of int
        Values in each mean.
    step : int
        Values in a mean of the longest night, whose variance is one and whose neighbours have the memory of the degree.
    """
    counts = np.array(sizes, dtype=np.float64)
    middle = np.cumsum(counts) - counts / 2
    apart = np.abs(middle[:, None] - middle) / step
    alone = np.diag(step / counts)
    found = np.array([(1 - share) * alone + share * memory**apart for memory, share in _grid()[0]])
    return np.linalg.inv(found), np.linalg.slogdet(found)[1]


def mean(values: npt.ArrayLike, alone: float = ALONE) -> Estimate:
    """Mean of values in order of time; see `contrast`.

    >>> found = mean([1.0, 3.0, 2.0, 4.0, 1.0, 3.0])
    >>> round(found.value, 3), found.number
    (2.333, 6)
    """
    known = np.asarray(values, dtype=np.float64)
    return contrast(known, np.ones((known.size, 1)), [1.0], np.zeros(known.size), alone)


def contrast(
    values: npt.ArrayLike,
    design: npt.ArrayLike,
    of: npt.ArrayLike,
    stretch: npt.ArrayLike,
    alone: float = ALONE,
) -> Estimate:
    """A combination of the coefficients of a linear model, fitted by plain least squares.

    Parameters
    ----------
    values : (n,) array_like
        In order of time, finite.
    design : (n, p) array_like
        What they depend on; columns that add nothing to others do no harm.
    of : (p,) array_like
        The combination of coefficients that is asked for.
    stretch : (n,) array_like
        Night of each value: values of different nights have nothing in common.
    alone : float
        Probability beforehand that neighbours have nothing in common.

    Returns
    -------
    Estimate
        `NOTHING` where no value is left over for the error, or where the design does not tell the combination.

    Notes
    -----
    Order is all that counts: after a gap values count as neighbours, which only widens intervals of means. Memory
    beyond 0.98 (fifty values) is not looked for: a drift as slow as that is a property of the stretch.
    """
    y, x = np.asarray(values, dtype=np.float64), np.asarray(design, dtype=np.float64)
    c, nights = np.asarray(of, dtype=np.float64), np.asarray(stretch)
    if not y.size or not np.isfinite(x).all() or not np.isfinite(y).all():
        return NOTHING
    basis, turned = _basis(x, c)
    if y.size - basis.shape[1] < 1 or not turned.size:
        return NOTHING
    weight = basis @ turned
    value, rest = float(weight @ y), y - basis @ (basis.T @ y)
    order, stretches, step = _stretches(nights)
    rest, basis = rest[order], basis[order]
    if step > 1:
        rest, basis = (_means(part, stretches) for part in (rest, basis))
        basis = _basis(basis, np.zeros(basis.shape[1]))[0]
        rest = rest - basis @ (basis.T @ rest)
    freedom = len(rest) - basis.shape[1]
    if freedom < 1:
        return NOTHING
    if float(rest @ rest) <= 1e-24 * max(float(y @ y), 1e-300):
        return Estimate(value, (0.0,), (1.0,), float(freedom), y.size)
    scale, likely = _degrees(rest, basis, stretches, step, alone)
    variance = scale * _of_weights(weight[order], stretches, step)
    return Estimate(value, tuple(np.sqrt(variance).tolist()), tuple(likely.tolist()), float(freedom), y.size)


def _basis(x: Float64, c: Float64) -> tuple[Float64, Float64]:
    """(n, r) orthonormal basis of what the columns span, and (r,) the combination in it; empty where not determined.

    Columns that repeat others drop out.
    """
    left, size, right = np.linalg.svd(x, full_matrices=False)
    kept = size > 1e-9 * size.max(initial=1e-300)
    told = right[kept] @ c
    if not np.allclose(right[kept].T @ told, c, atol=1e-6 * max(float(np.abs(c).max()), 1e-300)):
        return left[:, kept], np.zeros(0)
    return left[:, kept], np.asarray(told / size[kept])


def _stretches(
    nights: npt.NDArray[np.generic],
) -> tuple[npt.NDArray[np.intp], list[_Stretch], int]:
    """Order of the values night by night, how neighbours of each night are averaged, and values in the largest mean.

    Every night by itself, in means as even as can be: one that is short beside others keeps all its values.
    """
    order = np.argsort(nights, kind="stable")
    found, first = [], 0
    for count in np.unique(nights, return_counts=True)[1].tolist():
        means = -(-count // -(-count // MOST))
        found.append(_Stretch(first, tuple(len(part) for part in np.array_split(np.arange(count), means))))
        first += count
    return order, found, max(max(each.sizes) for each in found)


def _means(values: Float64, stretches: Sequence[_Stretch]) -> Float64:
    """Means of neighbours of values (n, ...), night by night."""
    sizes = np.array([size for each in stretches for size in each.sizes])
    sums = np.add.reduceat(values, np.cumsum(sizes) - sizes, axis=0)
    return np.asarray(sums / sizes.reshape(-1, *[1] * (values.ndim - 1)))


def _of_weights(weight: Float64, stretches: Sequence[_Stretch], step: int) -> Float64:
    """(k,) variance of a weighted sum of all values for each degree, in that of a mean of the longest night."""
    memory, share = np.array(_grid()[0]).T
    found = np.zeros(memory.size)
    for each in stretches:
        own = weight[each.first : each.first + sum(each.sizes)]
        alike = signal.correlate(own, own)[own.size - 1 :]
        alike[1:] *= 2
        common = memory[:, None] ** (np.arange(own.size) / step) @ alike
        found += share * common + (1 - share) * step * alike[0]
    return np.maximum(found, 0.0)


def _degrees(
    rest: Float64, basis: Float64, stretches: Sequence[_Stretch], step: int, alone: float
) -> tuple[Float64, Float64]:
    """(k,) variances of a value for each degree of correlation, and the probabilities of the degrees."""
    p, prior, freedom = basis.shape[1], _grid(alone)[1], rest.size - basis.shape[1]
    k, first = prior.size, 0
    normal, side, power, logs = np.zeros((k, p, p)), np.zeros((k, p)), np.zeros(k), np.zeros(k)
    for each in stretches:
        own = slice(first, first + len(each.sizes))
        inverse, log = _kernels(each.sizes, step)
        part, values = basis[own], rest[own]
        normal += part.T @ (inverse @ part)
        solved = inverse @ values
        side += solved @ part
        power += solved @ values
        logs += log
        first += len(each.sizes)
    fitted = np.einsum("kp,kp->k", side, np.linalg.solve(normal, side[..., None])[..., 0])
    left = np.maximum(power - fitted, 1e-300)
    likely = np.log(prior) - 0.5 * logs - 0.5 * np.linalg.slogdet(normal)[1] - freedom / 2 * np.log(left)
    weights = np.exp(likely - likely.max())
    return left / freedom, weights / weights.sum()
