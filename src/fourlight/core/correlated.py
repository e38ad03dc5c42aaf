"""Means, differences and slopes of values in order of time, of which neighbours have something in common.

Seeing, sky and transparency drift: what one light has, the next has in part. How strongly is not known and cannot be
read off a few dozen values, least of all where the drift hides under scatter of single lights. Here every degree of it
is tried, weighed by how well the values agree with it, and the interval is the mean over all: values plus a part that
is a first-order autoregression, with its share of the variance and its memory on a grid, variance and coefficients
integrated out (Harville 1974, restricted likelihood; Zellner 1971 for the t distribution of each).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import linalg

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


def _grid(alone: float = ALONE) -> tuple[tuple[tuple[float, float], ...], Float64]:
    """Degrees of correlation (memory, share), and their probabilities beforehand."""
    drift = [(memory, share) for memory in MEMORY for share in SHARE]
    weight = np.array([share**2 for _, share in drift])
    return ((0.0, 0.0), *drift), np.concatenate(([alone], (1 - alone) * weight / weight.sum()))


@lru_cache(maxsize=12)
def _kernels(n: int) -> tuple[Float64, Float64, Float64]:
    """(k, n, n) correlations of n values for each degree, their inverses, and (k,) logarithms of determinants."""
    lags = np.arange(n)
    found = np.array(
        [(1 - share) * np.eye(n) + share * linalg.toeplitz(memory**lags) for (memory, share) in _grid()[0]]
    )
    return found, np.linalg.inv(found), np.linalg.slogdet(found)[1]


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
    number = y.size
    y, x, nights = _thinned(y, x, nights)
    if not y.size or not np.isfinite(x).all() or not np.isfinite(y).all():
        return NOTHING
    basis, turned = _basis(x, c)
    freedom = y.size - basis.shape[1]
    if freedom < 1 or not turned.size:
        return NOTHING
    value = float(turned @ (basis.T @ y))
    rest = y - basis @ (basis.T @ y)
    if float(rest @ rest) <= 1e-24 * max(float(y @ y), 1e-300):
        return Estimate(value, (0.0,), (1.0,), float(freedom), number)
    variance, weights = _degrees(rest, basis, turned, nights, alone)
    return Estimate(value, tuple(np.sqrt(variance).tolist()), tuple(weights.tolist()), float(freedom), number)


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


def _thinned(
    y: Float64, x: Float64, nights: npt.NDArray[np.generic]
) -> tuple[Float64, Float64, npt.NDArray[np.generic]]:
    """Means of as many neighbours of one night as keep every night short; what is left over at its end drops out."""
    names, counts = np.unique(nights, return_counts=True)
    step = -(-int(counts.max()) // MOST) if counts.size else 1
    if step == 1:
        return y, x, nights
    groups = [
        part
        for name in names
        for part in np.flatnonzero(nights == name)[: counts[names == name][0] // step * step].reshape(
            -1, step
        )
    ]
    order = sorted(groups, key=lambda part: int(part[0]))
    return (
        np.array([y[part].mean() for part in order]),
        np.array([x[part].mean(axis=0) for part in order]),
        nights[[part[0] for part in order]],
    )


def _degrees(
    rest: Float64, basis: Float64, turned: Float64, nights: npt.NDArray[np.generic], alone: float
) -> tuple[Float64, Float64]:
    """(k,) variances of the combination for each degree of correlation, and the probabilities of the degrees."""
    p, prior, freedom = basis.shape[1], _grid(alone)[1], rest.size - basis.shape[1]
    k = prior.size
    normal, side, power = np.zeros((k, p, p)), np.zeros((k, p)), np.zeros(k)
    middle, logs = np.zeros((k, p, p)), np.zeros(k)
    for name in np.unique(nights):
        own = nights == name
        correlation, inverse, log = _kernels(int(own.sum()))
        part, values = basis[own], rest[own]
        solved = inverse @ part
        normal += part.T @ solved
        side += values @ solved
        power += (inverse @ values) @ values
        middle += part.T @ correlation @ part
        logs += log
    fitted = np.einsum("kp,kp->k", side, np.linalg.solve(normal, side[..., None])[..., 0])
    left = np.maximum(power - fitted, 1e-300)
    likely = np.log(prior) - 0.5 * logs - 0.5 * np.linalg.slogdet(normal)[1] - freedom / 2 * np.log(left)
    weights = np.exp(likely - likely.max())
    return left / freedom * np.einsum("p,kpq,q->k", turned, middle, turned), weights / weights.sum()
