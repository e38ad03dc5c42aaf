"""The sky under the object: robust levels on cells, and a smooth surface through the darkest of them.

A nebula only adds light. So the surface is a polynomial of low order held to the lower envelope of the
cells: a cell that rises above it loses its say, and the surface is no freer than the cells that are left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.polynomial import legendre

from fourlight.core.levels import Cells

__all__ = ["MAX_REACH", "Surface", "fit_surface", "reach", "sky_cells", "surface_terms", "surface_weights"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

GROWING_STIFFNESS = 1e-3
"""Ridge while the set of sky cells grows: a surface that bends easily would follow the flank of an object."""

MAX_REACH = 60.0
"""Largest allowed variance of a surface, in units of that of a mean; an even field has about 20 at order 2."""


@dataclass(frozen=True, slots=True)
class Surface:
    """A two-dimensional Legendre polynomial over an image, each axis scaled to -1 to 1."""

    coefficients: Float64
    """(order + 1, order + 1); terms above the total order are zero."""
    shape: tuple[int, int]

    @property
    def order(self) -> int:
        """Total order of the polynomial."""
        return len(self.coefficients) - 1

    @property
    def highest_order(self) -> int:
        """Total order of the terms that are not zero: 0 for a level, 1 for a plane."""
        return max((int(sum(pair)) for pair in np.argwhere(self.coefficients)), default=0)

    def at(self, y: npt.ArrayLike, x: npt.ArrayLike) -> Float64:
        """Values at positions in pixels (same shape)."""
        v, u = _scaled(np.asarray(y), self.shape[0]), _scaled(np.asarray(x), self.shape[1])
        return np.asarray(legendre.legval2d(v, u, self.coefficients))

    def image(self, part: tuple[slice, slice] = (slice(None), slice(None))) -> Float32:
        """Values at all pixels of a part of the image, or of all of it, float32."""
        v, u = (
            legendre.legvander(_scaled(np.arange(size)[cut], size), self.order)
            for size, cut in zip(self.shape, part, strict=True)
        )
        return np.asarray(v @ (self.coefficients @ u.T), dtype=np.float32)

    def range(self) -> float:
        """Largest minus smallest value over the image."""
        v, u = (_scaled(np.linspace(0, size - 1, 33), size) for size in self.shape)
        return float(np.ptp(legendre.leggrid2d(v, u, self.coefficients)))


def _scaled(position: npt.NDArray[np.generic], size: int) -> Float64:
    return 2 * (np.asarray(position, dtype=np.float64) + 0.5) / size - 1


def surface_terms(cells: Cells, order: int) -> tuple[Float64, list[tuple[int, int]]]:
    """Design matrix (my * mx, terms) of the cells and the exponents (in y, in x) of its columns."""
    y, x = cells.centres()
    polynomials_y = legendre.legvander(_scaled(y, cells.shape[0]), order)
    polynomials_x = legendre.legvander(_scaled(x, cells.shape[1]), order)
    terms = [(p, q) for p in range(order + 1) for q in range(order + 1 - p)]
    columns = [np.outer(polynomials_y[:, p], polynomials_x[:, q]).ravel() for p, q in terms]
    return np.stack(columns, axis=1), terms


def fit_surface(
    cells: Cells, use: Bool, order: int, *, stiffness: float = 1e-4, max_reach: float = MAX_REACH
) -> Surface:
    """Least-squares surface through the chosen cells.

    Parameters
    ----------
    cells : Cells
        Levels.
    use : (my, mx) bool
        Cells that show sky.
    order : int
        Wanted total order; lowered until there are three cells for each coefficient, and until the chosen
        cells fix the surface everywhere: cells in one corner say little about the other.
    stiffness : float
        Ridge on the curved terms, as a share of the number of cells, and a thousandth of it on the slopes:
        where the cells do not fix a term, it stays small.
    max_reach : float
        Largest variance of the surface anywhere, in units of that of a plain mean; beyond it the order is
        lowered.

    Returns
    -------
    Surface
        All zero if no cell is usable.
    """
    good = use & np.isfinite(cells.level)
    count = int(good.sum())
    while order > 0 and (count < 3 * (order + 1) * (order + 2) // 2 or reach(cells, good, order) > max_reach):
        order -= 1
    coefficients = np.zeros((order + 1, order + 1))
    if count == 0:
        return Surface(coefficients, cells.shape)
    design, terms = surface_terms(cells, order)
    design, level = design[good.ravel()], cells.level[good]
    offset = float(np.median(level))
    solution = np.linalg.solve(_normal(design, terms, stiffness), design.T @ (level - offset))
    for (p, q), value in zip(terms, solution, strict=True):
        coefficients[p, q] = value
    coefficients[0, 0] += offset
    return Surface(coefficients, cells.shape)


def _normal(design: Float64, terms: list[tuple[int, int]], stiffness: float) -> Float64:
    """Matrix of the normal equations, with the ridge of `fit_surface`."""
    count = len(design)
    ridge = np.array([stiffness * count * (0, 1e-3, 1)[min(p + q, 2)] for p, q in terms])
    return np.asarray(design.T @ design + np.diag(ridge + 1e-12 * count))


def surface_weights(
    cells: Cells, use: Bool, order: int, over: npt.ArrayLike, *, stiffness: float = 1e-4
) -> Float64:
    """What each cell counts for in the mean of a surface over a region.

    Parameters
    ----------
    cells : Cells
        Levels.
    use : (my, mx) bool
        Cells that the surface is laid through.
    order : int
        Its order, as `fit_surface` chose it.
    over : (my, mx) array_like
        Pixels of the region in each cell.
    stiffness : float
        As in `fit_surface`.

    Returns
    -------
    (my, mx) float64
        Weights that add up to one, 0 where a cell is not used: times the levels they give the mean of the surface.

    Examples
    --------
    >>> y, x = np.mgrid[:6, :6]
    >>> some = Cells(2.0 * y + x, np.ones((6, 6)), np.ones((6, 6)), 10, (60, 60))
    >>> weight = surface_weights(some, x < 3, 1, x == 5)
    >>> bool(weight[:, 3:].any()), round(float((weight * some.level).sum()), 3)
    (False, 10.0)
    """
    good = use & np.isfinite(cells.level)
    design, terms = surface_terms(cells, order)
    region = np.asarray(over, dtype=np.float64).ravel()
    mean, chosen = region @ design / region.sum(), design[good.ravel()]
    out = np.zeros(cells.level.shape)
    out[good] = chosen @ np.linalg.solve(_normal(chosen, terms, stiffness), mean)
    return out


def reach(cells: Cells, use: Bool, order: int) -> float:
    """Largest variance of the fitted surface over the image, in units of that of a plain mean."""
    design, _ = surface_terms(cells, order)
    chosen = design[use.ravel()]
    normal = chosen.T @ chosen / len(chosen) + 1e-9 * np.eye(design.shape[1])
    return float(np.max(np.sum(design * np.linalg.solve(normal, design.T).T, axis=1)))


def sky_cells(cells: Cells, order: int, *, sigma: float = 3.0, start_share: float = 0.2) -> Bool:
    """Cells that show empty sky: those on the lower envelope of the levels.

    A plane that lies under nearly all cells (least squares with little weight above) names the darkest.
    From those the set grows: a surface is fitted to it, and every cell joins that rises above the surface
    by less than ``sigma`` times the spread. The spread is fixed at the start, by the darkest cells and by the
    noise: a spread that grew with the set would let it climb up the flanks of an object.

    Parameters
    ----------
    cells : Cells
        Levels.
    order : int
        Order of the surface.
    sigma : float
        Threshold.
    start_share : float
        Share of the cells that the set starts from, and never falls below.

    Returns
    -------
    (my, mx) bool
        A frame filled by its object has no empty cells; then these are its darkest.
    """
    good = np.isfinite(cells.level)
    if not good.any():
        return good
    fewest = max(3, int(np.ceil(start_share * good.sum())))
    use = _lowest(cells.level - _envelope(cells, good), good, fewest)
    start = (cells.level - _on_cells(fit_surface(cells, use, order, max_reach=np.inf), cells))[use]
    # 1.5: the darkest fifth of a normal distribution is about a third as wide as the whole
    spread = max(1.5 * float(np.std(start)), float(np.median(cells.error[good])))
    for trial in (min(order, 1), order):
        for _ in range(30):
            residual = cells.level - _on_cells(
                fit_surface(cells, use, trial, stiffness=GROWING_STIFFNESS, max_reach=np.inf), cells
            )
            kept = good & (residual <= sigma * spread)
            if kept.sum() < fewest:
                kept = _lowest(residual, good, fewest)
            if (kept == use).all():
                break
            use = kept
    return use


def _lowest(residual: Float64, good: Bool, count: int) -> Bool:
    values = np.where(good, residual, np.inf)
    return np.asarray(good & (values <= np.sort(values, axis=None)[min(count, int(good.sum())) - 1]))


def _envelope(cells: Cells, good: Bool, *, weight_above: float = 0.01) -> Float64:
    """Plane under the cells: least squares in which a cell above counts ``weight_above`` of one below."""
    design, _ = surface_terms(cells, 1 if good.sum() >= 9 else 0)
    points, level = design[good.ravel()], cells.level[good]
    below = np.ones(len(level), dtype=bool)
    solution: Float64 = np.zeros(design.shape[1])
    for _ in range(30):
        weight = np.where(below, 1.0, weight_above)
        normal = points.T @ (weight[:, None] * points) + 1e-9 * len(level) * np.eye(design.shape[1])
        solution = np.asarray(np.linalg.solve(normal, points.T @ (weight * level)), dtype=np.float64)
        before, below = below, level < points @ solution
        if (before == below).all():
            break
    return np.asarray((design @ solution).reshape(cells.level.shape))


def _on_cells(surface: Surface, cells: Cells) -> Float64:
    y, x = cells.centres()
    return surface.at(*np.meshgrid(y, x, indexing="ij"))
