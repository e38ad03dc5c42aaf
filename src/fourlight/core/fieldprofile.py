"""The profile of stars over a field, measured on a stack: what a point of light becomes at any place of it.

A pixel-averaged Moffat profile whose shape is a polynomial of the place, with one strength of wings, and what all stars
have in common beside it. All of it is fitted to all stars together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy import ndimage

from fourlight.core.fieldequations import add_differences, field_equations, fill_terms, shape_at
from fourlight.core.pixelprofile import LEAST_WINGS, MOST_WINGS, pixel_value, point_value, widths_of
from fourlight.core.profilerest import USUAL, no_rest, rest_at, settled_rest

__all__ = ["FieldProfile", "fit_field", "printed", "printed_at"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

DOUBT = 0.01
"""Share of a star's light by which the profile may be wrong: as USUAL of `fourlight.core.profilerest`."""

TERMS = ((60, 6), (20, 3), (0, 1))
"""Terms of the polynomial by the least number of stars that agree on it."""

MOST_STEPS = 12

USUAL_WINGS = 0.3
"""To begin with."""

FAR = 100.0
"""Square of the distance in half widths from which a pixel's middle stands for all of it: to a part in a thousand."""

ALIKE_KNOTS = 1.5
"""Knots of the map of differences around one that tell how much of it is noise, standard deviation of a Gaussian: less
than a pixel, as its features are no smaller (taste, no source)."""

CHANCE = 2.0
"""Power of noise in so few knots that may be found by chance, over its mean: with 1 some is left on drawn stars."""

AGREES = 3.0
"""Chi-square per pixel over the median one beyond which a star is left out: doubles, knots of nebulae, full stars."""


@dataclass(frozen=True, slots=True)
class FieldProfile:
    """What a point of light becomes."""

    coefficients: Float64
    """(3, m) of the polynomials of ``a, b, c``, see `fourlight.core.pixelprofile`."""
    wings: float
    rest: Float64
    """(q, q) difference to the profile over its height, see `fourlight.core.profilerest`."""
    size: tuple[int, int]
    """``ny, nx`` of the field."""
    count: int
    """Stars it rests on."""

    def terms(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Float64:
        """(n, m) terms of the polynomial at places, pixels."""
        return _terms(np.atleast_1d(x), np.atleast_1d(y), self.size, self.coefficients.shape[1])

    def shape(self, x: float, y: float) -> Float64:
        """``a, b, c`` at a place."""
        out = np.empty(3)
        shape_at(self.coefficients, self.terms(x, y)[0], out)
        return out

    @property
    def falls_off(self) -> bool:
        """Whether it falls off in all directions wherever in the field: at corners, edges and the middle."""
        for y in np.linspace(0, self.size[0] - 1, 3):
            for x in np.linspace(0, self.size[1] - 1, 3):
                a, b, c = self.shape(x, y)
                if not (a > 0 and a * c > b * b):
                    return False
        return True

    def fwhm_px(self, x: float | None = None, y: float | None = None) -> float:
        """Width at a place, in the middle where none is given; pixel not included."""
        ny, nx = self.size
        return widths_of(self.shape(0.5 * (nx - 1) if x is None else x, 0.5 * (ny - 1) if y is None else y))[
            0
        ]


def _terms(x: Float64, y: Float64, size: tuple[int, int], count: int) -> Float64:
    ny, nx = size
    out = np.empty((len(x), count))
    for k in range(len(x)):
        fill_terms(2 * x[k] / max(nx - 1, 1) - 1, 2 * y[k] / max(ny - 1, 1) - 1, out[k])
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def printed_at(shape: Float64, wings: float, rest: Float64, u: Float64, v: Float64, out: Float64) -> None:
    """Fill ``out`` (n,) with the profile, 1 high, in pixels whose middles are ``u, v`` from the star."""
    for k in range(out.size):
        if (shape[0] * u[k] + 2 * shape[1] * v[k]) * u[k] + shape[2] * v[k] * v[k] > FAR:
            out[k] = point_value(u[k], v[k], shape, wings)
        else:
            out[k] = pixel_value(u[k], v[k], shape, wings)
        out[k] += rest_at(rest, u[k], v[k])


def printed(shape: Float64, wings: float, rest: Float64, side: int) -> Float64:
    """Picture (side, side) of a star in the middle of its middle pixel, 1 high; ``side`` is odd."""
    v, u = np.mgrid[:side, :side].astype(np.float64) - side // 2
    out = np.empty((side, side))
    printed_at(shape, wings, rest, u.ravel(), v.ravel(), out.ravel())
    return out


def fit_field(
    image: Float32,
    variance: Float32,
    x: Float64,
    y: Float64,
    fwhm_px: float,
    *,
    least: int = 3,
    wings: float | None = None,
) -> FieldProfile | None:
    """The profile of the stars at given places, or None where fewer than ``least`` of them agree on one.

    Parameters
    ----------
    image, variance : (ny, nx) float32
        NaN pixels are left out.
    x, y : (n,) float64
        Stars that are not full and stand alone, brightest first; those that are wider or longer than most
        are left out.
    fwhm_px : float
        About how wide they are.
    least : int
    wings : float or None
        Strength of the wings, where it is known; None: told by the stars.
    """
    size, radius = (image.shape[0], image.shape[1]), int(np.clip(np.ceil(2.5 * fwhm_px), 4, 24))
    stars = _first(image, x, y, radius)
    stars = stars[np.isfinite(stars).all(axis=1) & (stars[:, 2] > 0)]
    a = 1 / (0.5 * max(fwhm_px, 1.0)) ** 2
    found = FieldProfile(
        np.array([[a], [0.0], [a]]), USUAL_WINGS if wings is None else wings, no_rest(radius)[0], size, 0
    )
    free = wings is None
    for turn in range(2):
        if len(stars) < least:
            return None
        found, stars = _agreed(image, variance, found, stars, 1, radius, free)
        # what doubles and knots have in common would stand in for a part of the shape, and never leave it again
        if turn:
            found = _with_rest(image, variance, found, stars, radius)
    for fewest, count in TERMS:
        needed = max(least, fewest)
        if len(stars) >= needed:
            over, left = _agreed(image, variance, found, stars, count, radius, free)
            if len(left) >= needed and over.falls_off:
                return _with_rest(image, variance, over, left, radius)
    return None


def _agreed(
    image: Float32,
    variance: Float32,
    start: FieldProfile,
    stars: Float64,
    count: int,
    radius: int,
    free: bool,
) -> tuple[FieldProfile, Float64]:
    """The profile with so many terms of each polynomial, and the stars that agree on it."""
    coefficients = np.zeros((3, count))
    coefficients[:, : start.coefficients.shape[1]] = start.coefficients
    found, stars, squares = _settled(
        image,
        variance,
        FieldProfile(coefficients, start.wings, start.rest, start.size, 0),
        stars,
        radius,
        free,
    )
    per_pixel = squares[:, 0] / np.maximum(squares[:, 1], 1)
    usual = max(float(np.median(per_pixel)), 1.0) if len(stars) else 1.0
    return found, stars[(per_pixel < AGREES * usual) & (stars[:, 2] > 0)]


def _first(image: Float32, x: Float64, y: Float64, radius: int) -> Float64:
    """(n, 4) start values of stars; NaN at the edge, where another stands near, or between gaps."""
    ny, nx = image.shape
    out = np.full((len(x), 4), np.nan)
    for k, (cx, cy) in enumerate(zip(x, y, strict=True)):
        i, j = round(float(cx)), round(float(cy))
        if i < radius or j < radius or i >= nx - radius or j >= ny - radius:
            continue
        around = (np.abs(x - cx) < 1.5 * radius) & (np.abs(y - cy) < 1.5 * radius)
        part = image[j - radius : j + radius + 1, i - radius : i + radius + 1]
        if around.sum() > 1 and np.flatnonzero(around)[0] != k:
            continue
        if not np.isfinite(part).all():
            continue
        sky = float(np.median(np.concatenate([part[0], part[-1], part[:, 0], part[:, -1]])))
        out[k] = cx, cy, float(part[radius - 1 : radius + 2, radius - 1 : radius + 2].max()) - sky, sky
    return out


def _settled(
    image: Float32, variance: Float32, start: FieldProfile, stars: Float64, radius: int, free: bool
) -> tuple[FieldProfile, Float64, Float64]:
    """Shared numbers and stars after a fit (Levenberg-Marquardt), and chi-square of each star.

    The wings stay as they are unless they are ``free``.
    """
    now, damping, before = start, 1e-3, np.inf
    terms = start.terms(stars[:, 0], stars[:, 1])
    trial, moved = now, stars
    best: tuple[FieldProfile, Float64, Float64] = (start, stars, np.ones((len(stars), 2)))
    equations = None
    for _ in range(MOST_STEPS):
        new = field_equations(
            image, variance, moved, terms, radius, trial.coefficients, trial.wings, trial.rest, DOUBT
        )
        squares = float(new[4][:, 0].sum())
        if squares < before:
            done = squares > before * (1 - 1e-4)
            before, equations, best, now, damping = squares, new, (trial, moved, new[4]), trial, damping * 0.2
            if done:
                break
        else:
            damping *= 10
        if equations is None:
            break
        trial, moved = _stepped(now, best[1], equations, damping, free)
    return best


def _stepped(
    now: FieldProfile, stars: Float64, equations: tuple[Float64, ...], damping: float, free: bool
) -> tuple[FieldProfile, Float64]:
    matrix, right, pull, step, _ = equations
    damped = matrix + np.diag(damping * np.diag(matrix) + 1e-300)
    change = np.zeros_like(right)
    told = len(right) if free else len(right) - 1
    change[:told] = np.linalg.lstsq(damped[:told, :told], right[:told], rcond=None)[0]
    coefficients = now.coefficients + change[:-1].reshape(now.coefficients.shape)
    coefficients[[0, 2], 0] = np.clip(
        coefficients[[0, 2], 0], 0.3 * now.coefficients[[0, 2], 0], 3 * now.coefficients[[0, 2], 0]
    )
    wings = float(np.clip(now.wings + change[-1], LEAST_WINGS, MOST_WINGS))
    change[-1] = wings - now.wings
    own = step - np.einsum("npq,p->nq", pull, change)
    own[:, :2] = np.clip(own[:, :2], -1, 1)
    moved = stars + np.where(np.isfinite(own), own, 0)
    return FieldProfile(coefficients, wings, now.rest, now.size, now.count), moved


def _with_rest(
    image: Float32, variance: Float32, found: FieldProfile, stars: Float64, radius: int
) -> FieldProfile:
    """With what the stars have in common beside the profile; it fades out towards the rim of the discs."""
    total, sure = (np.zeros_like(found.rest) for _ in range(2))
    add_differences(
        image, variance, stars, found.terms(stars[:, 0], stars[:, 1]), radius, found.coefficients, found.wings, DOUBT,
        total, sure,
    )  # fmt: skip
    knots = (np.arange(len(total)) - len(total) // 2) / 2
    apart = np.hypot(knots[:, None], knots) / radius
    fade = np.clip((1 - apart) / 0.3, 0, 1)
    rest = _without_noise(settled_rest(np.zeros_like(total), total, sure), sure) * fade
    return FieldProfile(found.coefficients, found.wings, rest, found.size, len(stars))


def _without_noise(rest: Float64, sure: Float64) -> Float64:
    """A map of differences less what its noise alone may be: far out, where sharpening would make rings of it."""
    power, noise = (
        ndimage.gaussian_filter(part, ALIKE_KNOTS) for part in (rest**2, sure / (sure + 1 / USUAL**2) ** 2)
    )
    return np.asarray(rest * np.maximum(1 - CHANCE * noise / np.maximum(power, 1e-30), 0.0))
