"""One star shape for each colour in one frame, all colours measured alike, so that their widths can be compared.

Where a profile does not match the stars exactly, its width depends on how samples are weighted: by the noise of each
colour, a brighter colour would come out narrower or wider than a faint one that is as sharp. Every star therefore has
the same weights in all colours: from the mean over the colours of the variance of a sample over the square of the
star's light there. Strength of the wings is one number for all colours; places are given; each star has its own light
and sky in each plane, which are linear and projected out. What the profile lacks is taken from the stars of all colours
together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.pixelprofile import LEAST_WINGS, MOST_WINGS
from fourlight.core.profilerest import add_rest, settled_rest
from fourlight.core.widthequations import star_sums

__all__ = ["Evidence", "Fitted", "Weights", "fit_shapes", "refined_rest"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]
Bool = npt.NDArray[np.bool_]

MOST_STEPS = 30
SETTLED = 1e-6
"""Relative fall of the sum of squares below which the fit has settled."""


@dataclass(frozen=True, slots=True)
class Weights:
    """Variance of a sample of star k at the profile's value f: ``flat[k] + photon[k] f``, in units of its light."""

    scale: Float64
    """(n, 4) light of each star in the planes R, G1, G2, B: height of its profile."""
    flat: Float64
    """(n,)"""
    photon: Float64
    """(n,)"""
    shape: Float64
    """(3,) ``a, b, c`` of that profile, the same for all colours."""
    wings: float


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a fit rests on."""

    image: Float32
    """(ny, nx) calibrated mosaic frame; NaN left out."""
    cell: Int64
    """(2, 2) plane index of ``[y % 2, x % 2]``."""
    x: Float64
    """(n, 4) places of the stars in each plane, pixels."""
    y: Float64
    half: Int64
    """(n,) 0 or 1: which half of the stars each is in."""
    radius: int
    """Of the disc around each star, pixels."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """Shapes of several colours with the same wings."""

    shapes: Float64
    """(m, 5) ``a, b, c`` and what is left of the shift ``dx, dy`` in pixels."""
    wings: float
    pull: Float64
    """(n, m) what each star adds to the logarithm of each colour's width: the sum over stars is zero, its squares
    add up to the variance (the covariance of two colours: the sum of their products)."""
    settled: bool


class _Trial:
    """Equations of all colours at one set of shapes."""

    def __init__(
        self, evidence: Evidence, groups: list[Int64], weights: Weights, shapes: Float64, wings: float,
        rest: Float64, stretch: Float64,
    ) -> None:  # fmt: skip
        self.matrix, self.scores = np.zeros((len(groups), 6, 6)), np.zeros((len(groups), len(evidence.x), 6))
        self.squares = 0.0
        for g, planes in enumerate(groups):
            self.squares += star_sums(
                evidence.image, evidence.cell, planes, evidence.x, evidence.y, evidence.radius, weights.scale,
                weights.flat, weights.photon, weights.shape, weights.wings, shapes[g], wings, rest,
                evidence.half, stretch[g],
                self.matrix[g], self.scores[g],
            )  # fmt: skip
        self.matrix += np.tril(self.matrix, -1).transpose(0, 2, 1)

    def whole(self, free_wings: bool) -> tuple[Float64, Float64]:
        """Normal equations of all unknowns, (5 m + 1) or (5 m), and each star's right-hand side (n, unknowns)."""
        m, n = self.scores.shape[:2]
        size = 5 * m + 1
        normal, right = np.zeros((size, size)), np.zeros((n, size))
        for g in range(m):
            own = slice(5 * g, 5 * g + 5)
            normal[own, own] = self.matrix[g, :5, :5]
            normal[own, -1] = normal[-1, own] = self.matrix[g, :5, 5]
            right[:, own] = self.scores[g][:, :5]
        normal[-1, -1], right[:, -1] = self.matrix[:, 5, 5].sum(), self.scores[:, :, 5].sum(axis=0)
        last = size if free_wings else size - 1
        return normal[:last, :last], right[:, :last]


def fit_shapes(
    evidence: Evidence,
    groups: list[Int64],
    weights: Weights,
    start: Float64,
    wings: float,
    rest: Float64,
    *,
    free_wings: bool,
) -> Fitted:
    """Shapes of colours from all stars given (Levenberg-Marquardt).

    Parameters
    ----------
    evidence : Evidence
    groups : list of (p,) int64
        Planes of each colour: those of one colour share a shape.
    weights : Weights
    start : (m, 5) float64
    wings : float
        ``t`` of `fourlight.core.pixelprofile`.
    rest : (2, m, m) float64
        What is added to the profile, at the width of ``weights.shape``; see `fourlight.core.profilerest`.
    free_wings : bool
        Whether it is fitted, too.
    """
    shapes, damping, settled = start.copy(), 1e-3, False
    stretch = _stretches(start, weights)
    now = _Trial(evidence, groups, weights, shapes, wings, rest, stretch)
    for _ in range(MOST_STEPS):
        normal, right = now.whole(free_wings)
        new, new_wings = _moved(shapes, wings, normal, right.sum(axis=0), damping)
        if not _sound(new, shapes, evidence.radius):
            damping *= 10.0
            continue
        then = _Trial(evidence, groups, weights, new, new_wings, rest, stretch)
        if then.squares > now.squares:
            damping *= 10.0
            settled = then.squares < now.squares * (1 + SETTLED)
        else:
            settled = then.squares > now.squares * (1 - SETTLED)
            shapes, wings, now, damping = new, new_wings, then, damping * 0.1
        if settled:
            break
    return Fitted(shapes, wings, _pulls(*now.whole(free_wings), shapes), settled)


def refined_rest(
    evidence: Evidence, groups: list[Int64], weights: Weights, found: Fitted, rest: Float64
) -> Float64:
    """What stars have in common beside it, from a fit with what was known of it; each half from the other."""
    out = np.empty_like(rest)
    for half in range(2):
        other = evidence.half != half
        x, y, scale = (part[other] for part in (evidence.x, evidence.y, weights.scale))
        flat, photon = weights.flat[other], weights.photon[other]
        total, sure = np.zeros_like(rest[half]), np.zeros_like(rest[half])
        for planes, shape, stretch in zip(
            groups, found.shapes, _stretches(found.shapes, weights), strict=True
        ):
            add_rest(
                evidence.image, evidence.cell, planes, x, y, evidence.radius, scale, flat, photon, weights.shape,
                weights.wings, shape, found.wings, rest[half], stretch, total, sure,
            )  # fmt: skip
        out[half] = settled_rest(rest[half], total, sure)
    return out


def _stretches(shapes: Float64, weights: Weights) -> Float64:
    """(m,) width of the profile of the weights over that of each colour."""
    a, b, c = np.concatenate([shapes[:, :3], weights.shape[None]]).T
    wide = (a * c - b * b) ** 0.25
    return np.asarray(wide[:-1] / wide[-1])


def _moved(
    shapes: Float64, wings: float, normal: Float64, right: Float64, damping: float
) -> tuple[Float64, float]:
    """Shapes and wings after a step; where wings reach the end of their range they stay there and shapes go alone."""
    damped = normal + np.diag(damping * np.diag(normal) + 1e-300)
    size = shapes.size
    step = np.linalg.lstsq(damped, right, rcond=None)[0]
    new = wings
    if right.size > size:
        new = float(np.clip(wings + step[-1], LEAST_WINGS, MOST_WINGS))
        change = right[:size] - damped[:size, -1] * (new - wings)
        step = np.linalg.lstsq(damped[:size, :size], change, rcond=None)[0]
    return shapes + step[:size].reshape(shapes.shape), new


def _sound(new: Float64, old: Float64, radius: int) -> bool:
    """Whether shapes are ellipses, not changed beyond reason in one step, and near where the stars are."""
    a, b, c = new[:, :3].T
    grown = (new[:, [0, 2]] > 0.3 * old[:, [0, 2]]).all() and (new[:, [0, 2]] < 4 * old[:, [0, 2]]).all()
    return bool(grown and (a * c > 1.05 * b * b).all() and (np.abs(new[:, 3:]) < 0.3 * radius).all())


def _pulls(normal: Float64, right: Float64, shapes: Float64) -> Float64:
    """(n, m) each star's part in the logarithm of each colour's width, from the sandwich of Huber 1967.

    That holds whatever errors are made of: noise, or stars that the profile does not match.
    """
    n = len(right)
    moves = np.linalg.lstsq(normal, right.T, rcond=None)[0].T * np.sqrt(n / max(n - 1, 1))
    out = np.empty((n, len(shapes)))
    for g, (a, b, c) in enumerate(shapes[:, :3]):
        # ln width = -1/4 ln(a c - b^2)
        slope = -0.25 / (a * c - b * b) * np.array([c, -2 * b, a])
        out[:, g] = moves[:, 5 * g : 5 * g + 3] @ slope
    return out
