"""The sky under light that fills a field: found by how light changes from place to place, not by where it is dark.

Light of an object is never below nothing, and it is uneven: its steps between neighbouring places are about in
proportion to itself, are large at few edges, and go up as often as down. The sky's are the same everywhere. So the
slope of the sky is that about which steps scatter, those between dark places counting most. What lies lowest would
tell less: a field without empty sky is dark where dust lies, and that may be on one side.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import linalg, optimize, stats

from fourlight.core.background import MAX_REACH, Surface, fit_surface, reach, surface_terms
from fourlight.core.levels import Cells
from fourlight.core.skydoubt import COHERENT, blocks_spread, shape_errors, told_share
from fourlight.core.skysteps import Steps, blocks_of, steps_between

__all__ = ["Sky", "sky_under"]

Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

SLOPE, BEND = 0.15, 0.3
"""What terms of the sky are like before anything is known, over its level: a slope, three tenths from edge to edge, and
curved ones, those of a stack without flats. Those of a sky with a slope g are about g squared, and too small to matter
where an object hides them."""

OWN_SLOPE, OWN_BEND = 0.05, 0.1
"""How far channels differ in them: the colour of the light of towns or the Moon is not far from that of all the sky."""

DOUBT = 1e-5
"""Chance of blocks agreeing on a curved surface that is not there."""

MANY = 0.2
"""Part of the field that is empty sky where a surface is laid through it."""

FEWEST = 12
"""Cells below which nothing but a level is found."""


@dataclass(frozen=True, slots=True)
class Sky:
    """The sky of some channels."""

    surfaces: tuple[Surface, ...]
    error: Float64
    """(channels,) standard error of the shape of each surface, rms over the field, in units of the image."""
    edge: Float64
    """(channels,) that of the difference between opposite corners, the larger of the two."""
    empty: Bool
    """(my, mx) cells that show no more than the surfaces; where hardly any does, those that show least."""
    share: float
    """Part of the cells that show no more."""
    bent: bool
    """Whether the curved terms were left free."""
    taken: float = 1.0
    """Share of the likeliest slope that the surfaces have: what may as well be light of the object is left to it."""
    by_steps: bool = False
    """Whether it was told from how light changes between cells, as too little of the field is empty."""


def sky_under(cells: Sequence[Cells], order: int, *, noise: float = 1.0) -> Sky:
    """The sky of channels that share a grid of cells.

    Parameters
    ----------
    cells : sequence of Cells
        Levels, each channel's.
    order : int
        Highest order of the surfaces.
    noise : float
        What the errors of the cells are multiplied by: pixels that share samples tell less than as many others.

    Returns
    -------
    Sky
        Channels share the shape of their sky over its level but for little, which many cells can overrule. Of what
        all cells have in common nothing can be known: light that is even over the field goes with the sky.
    """
    good = np.logical_and.reduce([np.isfinite(c.level) & np.isfinite(c.error) for c in cells])
    level = np.stack([c.level[good] for c in cells], axis=1)
    error = noise * np.stack([c.error[good] for c in cells], axis=1)
    if good.sum() < FEWEST:
        return _even(cells, good, level, error)
    error = np.maximum(error, 1e-6 * np.abs(level) + 1e-30)
    unit = np.maximum(np.median(level, axis=0), 10 * np.median(error, axis=0))
    while order > 0 and good.sum() < 3 * (order + 1) * (order + 2) // 2:
        order -= 1
    matrix, terms = surface_terms(cells[0], order)
    turn = _colours(error / unit)
    known = np.sqrt((error / unit) ** 2 @ (turn**2).T)
    steps = steps_between(good, level / unit @ turn.T, known, matrix[good.ravel()])
    found, covariance, bent = _fitted(steps, terms)
    covariance *= COHERENT**2
    taken = told_share(found[0], covariance[0, :, 0])
    left = (1 - taken) * found
    left[:, 0] = 0
    found -= left
    covariance += np.einsum("aj,bk->ajbk", left, left)  # what is not taken may be sky
    back = np.linalg.inv(turn)
    found, covariance = back @ found, np.einsum("ca,ajbk,cb->cjk", back, covariance, back)
    matrix = matrix[good.ravel()]
    rest = level - unit * (matrix @ found.T)
    floor = np.array([_floor(r, e) for r, e in zip(rest.T, error.T, strict=True)])
    found[:, 0] += floor / unit
    empty, share = _empty(good, rest - floor, error)
    coefficients = unit[:, None] * found
    surfaces = tuple(_surface(c, terms, order, cells[0].shape) for c in coefficients)
    spread, edge = shape_errors(matrix, terms, covariance)
    sky = Sky(surfaces, unit * spread, unit * edge, empty, share, bent, taken, by_steps=True)
    return _through(sky, cells, good, error, order)


def _through(sky: Sky, cells: Sequence[Cells], good: Bool, error: Float64, order: int) -> Sky:
    """The sky through empty cells, where there are many and they fix it everywhere: they tell more than steps do.

    The search starts from all cells that may be empty as far as the sky is known. Where they are not, what a surface
    through them leaves is more uneven than noise, and few are left.
    """
    y, x = np.meshgrid(*cells[0].centres(), indexing="ij")
    matrix, terms = surface_terms(cells[0], order)
    doubt = np.sqrt(1 + np.mean((sky.error / np.median(error, axis=0)) ** 2))
    above = np.stack([c.level - s.at(y, x) for c, s in zip(cells, sky.surfaces, strict=True)], axis=-1)
    use, share = _empty(good, above[good], doubt * error)
    for _ in range(10):
        if use.sum() < 3 * len(terms):
            return sky
        surfaces = tuple(fit_surface(c, use, order) for c in cells)
        above = np.stack([c.level - s.at(y, x) for c, s in zip(cells, surfaces, strict=True)], axis=-1)
        before = use
        use, share = _empty(good, above[good], error)
        if (use == before).all():
            break
    if share < MANY or reach(cells[0], use, order) > MAX_REACH:
        return sky
    spread = blocks_spread(matrix[use.ravel()], above[use], blocks_of(good.shape)[use])
    rms, edge = shape_errors(matrix[good.ravel()], terms, spread)
    # wings of an object that are fainter than half the error of a cell show in none, and bend the surface
    unseen = 0.5 * np.median(error, axis=0)
    return Sky(surfaces, np.hypot(rms, unseen), np.hypot(edge, 2 * unseen), use, share, order > 1)


def _colours(error: Float64) -> Float64:
    """Brightness and colours of channels: a mean by what each tells of light of the sky's colour; contrasts.

    Where the colour changes, gas or dust ends; a step there tells little of the sky.
    """
    told = 1 / np.median(error, axis=0) ** 2
    return np.vstack([told / told.sum(), linalg.helmert(len(told))]) if len(told) > 1 else np.ones((1, 1))


def _fitted(steps: Steps, terms: list[tuple[int, int]]) -> tuple[Float64, Float64, bool]:
    """Coefficients of brightness and colours (channels, terms), their covariance, whether curved terms are free.

    They are freed where parts of the field agree on them by themselves, as in Hotelling's test: an object bends
    cells here and there, optics without a flat bend them everywhere.
    """
    curved = [k for k, (p, q) in enumerate(terms) if p + q > 1]
    if curved:
        found, covariance = _solved(steps, terms)
        bend, spread = found[0, curved], covariance[0, :, 0][np.ix_(curved, curved)]
        n, p = steps.blocks, len(curved)
        square = float(bend @ np.linalg.solve(spread + 1e-18 * np.eye(p), bend))
        if n > p and square * (n - p) / (p * (n - 1)) > stats.f.isf(DOUBT, p, n - p):
            return found, covariance, True
    return *_straight(steps, terms), False


def _straight(steps: Steps, terms: list[tuple[int, int]]) -> tuple[Float64, Float64]:
    """The same without curved terms."""
    channels, k = steps.level.shape[1], len(terms)
    kept = [j for j, (p, q) in enumerate(terms) if p + q < 2]
    found, covariance = np.zeros((channels, k)), np.zeros((channels, k, channels, k))
    few, spread = _solved(replace(steps, matrix=steps.matrix[:, kept]), [terms[j] for j in kept])
    found[:, kept] = few
    covariance[np.ix_(range(channels), kept, range(channels), kept)] = spread
    return found, covariance


def _solved(steps: Steps, terms: list[tuple[int, int]]) -> tuple[Float64, Float64]:
    """The likeliest coefficients and their covariance, by how much blocks of the field pull at them (Huber 1967)."""
    channels, k = steps.level.shape[1], len(terms)
    hold = _hold(terms, channels)

    def cost(x: Float64) -> tuple[float, Float64]:
        value, slope = steps.cost(x)
        held = hold * x[: len(hold)]
        slope[: len(hold)] += held
        return value + 0.5 * float(held @ x[: len(hold)]), slope

    tried = [
        optimize.minimize(cost, x, jac=True, method="L-BFGS-B", options={"maxiter": 300})
        for x in steps.starts()
    ]
    best = np.asarray(min(tried, key=lambda found: float(found.fun)).x)
    covariance = np.zeros((channels * k, channels * k))
    shapes = np.array([c * k + j for c in range(channels) for j in range(1, k)], dtype=np.int64)
    if len(shapes):
        pulls = steps.pulls(best)[:, shapes]
        inverse = np.linalg.inv(_curvature(lambda x: cost(x)[1], best, shapes))
        # what is held before anything is known is not known any better than that
        doubt = pulls.T @ pulls + np.diag(hold[shapes])
        covariance[np.ix_(shapes, shapes)] = inverse @ doubt @ inverse
    return best[: channels * k].reshape(channels, k), covariance.reshape(channels, k, channels, k)


def _hold(terms: list[tuple[int, int]], channels: int) -> Float64:
    """(channels * terms,) inverse variance of the coefficients before anything is known; colours follow brightness."""
    hold = np.zeros((channels, len(terms)))
    for j, (p, q) in enumerate(terms):
        if p + q:
            widths = (SLOPE, OWN_SLOPE) if p + q == 1 else (BEND, OWN_BEND)
            hold[0, j], hold[1:, j] = 1 / np.square(widths)
    return hold.ravel()


def _curvature(slope: Callable[[Float64], Float64], x: Float64, which: npt.NDArray[np.int64]) -> Float64:
    """Second derivatives of a cost from differences of its slope."""
    step, out = 1e-5, np.empty((len(which), len(which)))
    for row, i in enumerate(which):
        up, down = x.copy(), x.copy()
        up[i] += step
        down[i] -= step
        out[row] = (slope(up) - slope(down))[which] / (2 * step)
    values, vectors = np.linalg.eigh(0.5 * (out + out.T))
    return np.asarray((vectors * np.maximum(values, 1e-6 * values.max())) @ vectors.T)


def _floor(rest: Float64, error: Float64) -> float:
    """Level of the empty cells among others that are brighter: that from which those below scatter as errors say.

    Half of the values below the middle of a normal distribution are within 0.674 standard deviations of it.
    """
    usual = float(np.median(error))
    ordered = np.sort(rest[error <= usual])  # cells of which stars leave little scatter far down
    for n in range(max(4, len(ordered) // 50), len(ordered)):
        if ordered[n] - np.median(ordered[:n]) >= 0.674 * float(np.median(error[error <= usual])):
            return float(ordered[n])
    return float(np.median(ordered))


def _empty(good: Bool, above: Float64, error: Float64) -> tuple[Bool, float]:
    """Cells without light in any channel, and their share; at least a fiftieth, those with least light."""
    light = np.sum(above / error, axis=1) / np.sqrt(above.shape[1])
    share = float(np.mean(np.abs(light) <= 3.0))
    out = np.zeros_like(good)
    few = light <= np.quantile(light, 0.02)
    out[good] = few if share < 0.02 else np.abs(light) <= 3.0
    return out, share


def _surface(values: Float64, terms: list[tuple[int, int]], order: int, shape: tuple[int, int]) -> Surface:
    coefficients = np.zeros((order + 1, order + 1))
    for (p, q), value in zip(terms, values, strict=True):
        coefficients[p, q] = value
    return Surface(coefficients, shape)


def _even(cells: Sequence[Cells], good: Bool, level: Float64, error: Float64) -> Sky:
    """One level each channel, where there are hardly any cells."""
    middle = np.median(level, axis=0) if len(level) else np.zeros(len(cells))
    surfaces = tuple(Surface(np.array([[value]]), cells[0].shape) for value in middle)
    unknown = np.full(len(cells), np.nan)
    return Sky(surfaces, unknown, unknown, good, float(good.any()), bent=False)
