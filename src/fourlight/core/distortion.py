"""A camera's picture of the plane of standard coordinates: linear, and polynomials of pixels on top (SIP).

With u, v from the middle of the frame, (xi, eta) = CD (u + f(u, v), v + g(u, v)), where f and g hold terms u^p v^q of
order 2 and more (Shupe et al. 2005, ASP Conf. Ser. 347, 491).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.maps import similarity

__all__ = ["RADIAL", "SIMILARITY", "Mapping", "chosen_model", "fitted", "numbers", "powers"]

Float64 = npt.NDArray[np.float64]

RADIAL_TURNS = 4
RADIAL = 0
"""A model of one number beside the linear ones: places move outwards with the cube of their distance."""
SIMILARITY = -1
"""Shift, turn and scale, mirrored or not: for few stars."""
MODELS = (SIMILARITY, 1, RADIAL, 2, 3)
"""Orders of polynomials, and two simpler ones; in the order in which they are tried."""
FOLDS = 5
"""Parts of the stars, each of which is predicted from the others."""
BETTER = 0.98
"""Error of stars left out that a higher order must stay below, over that of the lower one."""
FARTHEST = 3.0
"""Largest error of a polynomial at a corner of the frame over that of a star."""
STARS_A_TERM = 3.0
"""Fewest stars over numbers along an axis."""


@dataclass(frozen=True, slots=True)
class Mapping:
    """From pixels about the middle of the frame to standard coordinates in degrees, and back."""

    cd: Float64
    """(2, 2) degrees per pixel."""
    forward: Float64
    """(2, n) coefficients of f and g, pixels, in the order of `powers`."""
    back: Float64
    """(2, m) coefficients of u - U and v - V in U, V = CD^-1 (xi, eta), orders 1 and more."""
    order: int
    """1: no polynomial."""

    def standard(self, u: Float64, v: Float64) -> tuple[Float64, Float64]:
        """Standard coordinates of pixels."""
        f, g = self._bent(u, v)
        return self._linear(u + f, v + g)

    def pixels(self, xi: Float64, eta: Float64) -> tuple[Float64, Float64]:
        """Pixels of standard coordinates: the reverse polynomials, then Newton's way, so that it undoes `standard`."""
        inverse = np.linalg.inv(self.cd)
        u0, v0 = (row[0] * xi + row[1] * eta for row in inverse)
        if self.order < 2:
            return u0, v0
        f, g = np.tensordot(self.back, _terms(u0, v0, self.order, lowest=1), axes=1)
        u, v = u0 + f, v0 + g
        for _ in range(6):
            f, g = self._bent(u, v)
            u, v = u0 - f, v0 - g
        return u, v

    def _bent(self, u: Float64, v: Float64) -> Float64:
        return np.asarray(np.tensordot(self.forward, _terms(u, v, self.order), axes=1))

    def _linear(self, u: Float64, v: Float64) -> tuple[Float64, Float64]:
        return self.cd[0, 0] * u + self.cd[0, 1] * v, self.cd[1, 0] * u + self.cd[1, 1] * v


def powers(order: int, lowest: int = 2) -> list[tuple[int, int]]:
    """Exponents (p, q) of the terms.

    >>> powers(3)
    [(2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3)]
    """
    return [(n - q, q) for n in range(lowest, order + 1) for q in range(n + 1)]


def _terms(u: Float64, v: Float64, order: int, lowest: int = 2) -> Float64:
    found = [u**p * v**q for p, q in powers(order, lowest)]
    return np.array(found) if found else np.zeros((0, *np.shape(u)))


def numbers(model: int) -> float:
    """Numbers along an axis that a model has.

    >>> numbers(SIMILARITY), numbers(1), numbers(RADIAL), numbers(3)
    (2.0, 3.0, 3.5, 10.0)
    """
    return {SIMILARITY: 2.0, RADIAL: 3.5}.get(model) or float(len(powers(model, 0)))


def order_of(model: int) -> int:
    """Order of the polynomial that a model is one of."""
    return {SIMILARITY: 1, RADIAL: 3}.get(model, model)


def _plane_fit(u: Float64, v: Float64, target: Float64, model: int) -> Float64:
    """Coefficients (terms, 2) of a polynomial with all orders from 0, of pixels in units of the frame's half size."""
    if model == RADIAL:
        return _radial_fit(u, v, target)
    if model == SIMILARITY:
        return _similarity_fit(u, v, target)
    return np.asarray(np.linalg.lstsq(_terms(u, v, model, lowest=0).T, target, rcond=None)[0])


def _similarity_fit(u: Float64, v: Float64, target: Float64) -> Float64:
    """The same for a similarity, mirrored where that fits better."""
    points, one = np.column_stack([u, v]), np.ones(len(u))
    both = [similarity(points, target, one, mirrored=flip) for flip in (False, True)]
    missed = [((points @ m[:, :2].T + m[:, 2] - target) ** 2).sum() for m in both]
    return both[int(np.argmin(missed))][:, [2, 0, 1]].T


def _radial_fit(u: Float64, v: Float64, target: Float64) -> Float64:
    """The same for target = shift + L (1 + k r^2) (u, v): least squares, linearised about the L before."""
    plane = np.column_stack([np.ones_like(u), u, v])
    linear, k = np.linalg.lstsq(plane, target, rcond=None)[0], 0.0
    design = np.zeros((2, len(u), 7))
    design[0, :, :3] = design[1, :, 3:6] = plane
    for _ in range(RADIAL_TURNS):
        design[:, :, 6] = ((u * u + v * v)[:, None] * (plane[:, 1:] @ linear[1:])).T
        found = np.linalg.lstsq(design.reshape(-1, 7), target.T.ravel(), rcond=None)[0]
        linear, k = found[:6].reshape(2, 3).T, float(found[6])
    return np.concatenate([linear, np.zeros((3, 2)), k * linear[[1, 2, 1, 2]]])


def fitted(
    u: Float64, v: Float64, xi: Float64, eta: Float64, model: int, half: tuple[float, float]
) -> tuple[Mapping, Float64]:
    """Least-squares mapping of a model, and where the middle of the frame lies (2,), degrees.

    Parameters
    ----------
    u, v : (n,) float64
        Pixels of stars from the middle of the frame.
    xi, eta : (n,) float64
        Their standard coordinates, degrees.
    model : int
        Order of the polynomial, 1 for a linear mapping; or `SIMILARITY` or `RADIAL`.
    half : (float, float)
        Half width and half height of the frame, within which the reverse polynomials hold.

    Notes
    -----
    The middle must be the touching point for the mapping to be one of FITS: fit, move the point by what is returned,
    and fit again.
    """
    size, order = max(half), order_of(model)
    found = _plane_fit(u / size, v / size, np.column_stack([xi, eta]), model)
    shift, linear = found[0], (found[1:3] / size).T
    orders = np.array([p + q for p, q in powers(order)])
    forward = np.linalg.solve(linear, found[3:].T) / size**orders
    mapping = Mapping(linear, forward, np.zeros((2, 0)), order)
    if order < 2:
        return mapping, shift
    grid_v, grid_u = (axis.ravel() for axis in np.mgrid[-1:1:21j, -1:1:21j])
    grid_u, grid_v = grid_u * half[0], grid_v * half[1]
    f, g = forward @ _terms(grid_u, grid_v, order)
    far_u, far_v = grid_u + f, grid_v + g
    design = _terms(far_u / size, far_v / size, order, lowest=1).T
    back = np.linalg.lstsq(design, np.column_stack([grid_u - far_u, grid_v - far_v]), rcond=None)[0].T
    lower = np.array([p + q for p, q in powers(order, 1)])
    return Mapping(linear, forward, back / size**lower, order), shift


def chosen_model(u: Float64, v: Float64, xi: Float64, eta: Float64, half: tuple[float, float]) -> int:
    """The simplest model whose stars left out are predicted about as well as by any other (cross-validation).

    Parameters are those of `fitted`. Polynomials are left out that stars do not hold at the corners of the frame.
    """
    fold, size = np.arange(len(u)) % FOLDS, max(half)
    x, y, target = u / size, v / size, np.column_stack([xi, eta])
    best, error = SIMILARITY, np.inf
    for model in MODELS:
        if model != SIMILARITY and len(u) * (1 - 1 / FOLDS) < STARS_A_TERM * numbers(model):
            break
        if model > 1 and _corner_error(x, y, model, half) > FARTHEST:
            break
        squares = [_missed(x, y, target, fold == k, model) for k in range(FOLDS)]
        now = float(np.sqrt(np.concatenate(squares).mean()))
        if now < BETTER * error:
            best, error = model, now
    return best


def _missed(x: Float64, y: Float64, target: Float64, out: npt.NDArray[np.bool_], model: int) -> Float64:
    """Squared distances by which a fit to the other stars misses those left out."""
    found = _plane_fit(x[~out], y[~out], target[~out], model)
    predicted = _terms(x[out], y[out], order_of(model), lowest=0).T @ found
    return np.asarray(((predicted - target[out]) ** 2).sum(axis=1))


def _corner_error(x: Float64, y: Float64, order: int, half: tuple[float, float]) -> float:
    """Standard error of a fit at the worst corner of the frame over that of a star."""
    corner_x, corner_y = np.array([[-1.0, -1, 1, 1], [-1, 1, -1, 1]]) * np.array([half]).T / max(half)
    triangle = np.linalg.qr(_terms(x, y, order, 0).T)[1]
    if np.abs(np.diag(triangle)).min() < 1e-9:
        return np.inf
    reach = np.linalg.solve(triangle.T, _terms(corner_x, corner_y, order, 0))
    return float(np.sqrt((reach**2).sum(axis=0).max()))
