"""The sky that a frame has more (or less) than the reference: moonlight, gradients, thin cloud.

The object is common to both frames, so once the transparency is known the difference is all sky, and all of
it is smooth. It is fitted on the coarse sky maps and taken off before rejection and weighting.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from fourlight.core import maps, skycells
from fourlight.core.samples import polynomial_terms
from fourlight.core.skylevel import LEVEL_VARIANCE
from fourlight.frames import MeasuredFrame, RegisteredFrame

__all__ = ["pixel_scale", "sky_differences"]

Float64 = npt.NDArray[np.float64]

ROUNDS = 8
"""Comparisons with the mean; those of frames that overlap by half with as many others halve the rest each time."""

STEEP = 0.05
"""Error of the level of a cell over how much the object changes around it: cells of two frames cut it differently."""

SETTLED = 1e-3
"""Change over the noise of a sample that ends them."""


def sky_differences(
    frames: Sequence[RegisteredFrame],
    reference: MeasuredFrame,
    order: int,
    fixed: Mapping[int, Float64] | None = None,
) -> tuple[Float64, Float64]:
    """Polynomial of each frame's sky less what the light of the reference explains.

    Frames are compared with the reference, and then with the mean of all: the noise of the reference alone would be
    common to all that are compared with it, and show as a step where some of them end.

    Parameters
    ----------
    frames : sequence of RegisteredFrame
    reference : MeasuredFrame
    order : int
        Total order of the polynomials; lowered where too few cells overlap.
    fixed : mapping of int to (4, n) float64, optional
        Frames, by their number, whose polynomials are known and stay as they are.

    Returns
    -------
    (f, 4, n) float64
        Coefficients per plane for `polynomial_terms(order)` in coordinates from -1 to 1 over the frame, in the
        frame's units. Zero for the reference itself.
    (f, 4) float64
        Standard error of these surfaces, rms over the frame, by what the cells scatter about them; 0 for frames that
        are not fitted.
    """
    terms = polynomial_terms(order)
    known = skycells.filled(reference.sky_map).astype(np.float64)
    compared = [_Compared(frame, reference, known, terms) for frame in frames]
    strays = np.zeros(known.shape)
    fixed = fixed or {}
    found, errors = _fits(compared, strays, fixed)
    for _ in range(ROUNDS if len(frames) > 2 else 0):
        strays, last = _mean_strays(compared, found), found
        found, errors = _fits(compared, strays, fixed)
        if np.abs(found - last).max() <= SETTLED * np.median([frame.measured.noise for frame in frames]):
            break
    return found, errors


def _fits(
    compared: Sequence[_Compared], strays: Float64, fixed: Mapping[int, Float64]
) -> tuple[Float64, Float64]:
    known = np.zeros(4)
    found = [(fixed[k], known) if k in fixed else one.fitted(strays) for k, one in enumerate(compared)]
    return np.array([fit for fit, _ in found]), np.array([error for _, error in found])


class _Compared:
    """Sky of one frame less the light of the reference, cell by cell."""

    def __init__(
        self, frame: RegisteredFrame, reference: MeasuredFrame, known: Float64, terms: npt.NDArray[np.int64]
    ) -> None:
        self._frame, self._reference, self._terms = frame, reference, terms
        self.scale = pixel_scale(frame)
        tx, ty = self._place
        rx, ry = _centres(reference)
        # Beyond the outer cell centres the reference's sky map is not known well enough to compare with.
        inside = (tx >= rx.min()) & (ty >= ry.min()) & (tx <= rx.max()) & (ty <= ry.max())
        if not inside.any():
            inside = (tx >= 0) & (ty >= 0) & (tx < reference.raw.nx) & (ty < reference.raw.ny)
        level = frame.measured.sky_map.reshape(4, -1).astype(np.float64)
        self.cells = reference.sky_map.shape
        # One of every frame is held: as small as may be.
        self._more = np.where(inside, level - self.scale[:, None] * self._at(known), np.nan).astype(
            np.float32
        )
        steep = self.scale[:, None] * self._at(_ranges(known))
        self._trust = (1 / (_cell_variance(frame.measured) + (STEEP * steep) ** 2)).astype(np.float32)

    @property
    def _place(self) -> tuple[Float64, Float64]:
        """Where the centres of its cells lie in the reference, pixels."""
        return maps.apply(self._frame.matrix, *_centres(self._frame.measured))

    @property
    def _design(self) -> Float64:
        """(m, n) terms of the polynomial at the centres of its cells."""
        return _design(self._frame.measured, *_centres(self._frame.measured), self._terms)

    def _at(self, cells: Float64) -> Float64:
        """A map (4, my, mx) on the cells of the reference at the centres of this frame's cells (4, n)."""
        raw = self._reference.raw
        return np.array([skycells.interpolated_many(part, raw.ny, raw.nx, *self._place) for part in cells])

    def fitted(self, strays: Float64) -> tuple[Float64, Float64]:
        """Polynomials (4, n) and their errors (4,).

        ``strays`` (4, my, mx) is by how much the reference is less than the mean of all.
        """
        if self._frame.measured is self._reference:
            return np.zeros((4, len(self._terms))), np.zeros(4)
        more = self._more - self.scale[:, None] * self._at(strays)
        design = self._design
        parts = zip(more, self._trust, strict=True)
        found = [_fitted(plane, trust, design, self._terms) for plane, trust in parts]
        return np.array([fit for fit, _ in found]), np.array([error for _, error in found])

    def strays(self, fit: Float64) -> tuple[Float64, Float64]:
        """What the frame has more than reference and fit on the cells of the reference, and its weight; (4, n)."""
        measured = self._frame.measured
        x, y = maps.apply(maps.inverse(self._frame.matrix), *_centres(self._reference))
        u, v = _centres(measured)
        inside = (x >= u.min()) & (y >= v.min()) & (x <= u.max()) & (y <= v.max())
        left = ((self._more - fit @ self._design.T) / self.scale[:, None]).reshape(measured.sky_map.shape)
        cells = skycells.filled(left.astype(np.float32))
        values = np.array(
            [skycells.interpolated_many(c, measured.raw.ny, measured.raw.nx, x, y) for c in cells]
        )
        weight = np.where(inside & np.isfinite(values), ((self.scale / measured.noise) ** 2)[:, None], 0.0)
        return np.nan_to_num(values), weight


def _mean_strays(compared: Sequence[_Compared], found: Float64) -> Float64:
    """Weighted mean over frames (4, my, mx) of what they have more than the reference and their fits."""
    total = weights = np.zeros(())
    for one, fit in zip(compared, found, strict=True):
        value, weight = one.strays(fit)
        total, weights = total + weight * value, weights + weight
    return np.asarray(total / np.where(weights > 0, weights, 1.0)).reshape(compared[0].cells)


def pixel_scale(frame: RegisteredFrame) -> Float64:
    """Light per pixel of the frame over light per pixel of the reference, per plane (4,).

    Transparency compares whole stars; a frame whose pixels cover more sky gathers more surface light in each.
    """
    area = abs(float(np.linalg.det(frame.matrix[:, :2])))
    return frame.transparency * area


def _centres(frame: MeasuredFrame) -> tuple[Float64, Float64]:
    """Centre positions x, y (n,) of the cells of a frame's sky map, in pixels."""
    _, my, mx = frame.sky_map.shape
    x = (np.arange(mx) + 0.5) * frame.raw.nx / mx - 0.5
    y = (np.arange(my) + 0.5) * frame.raw.ny / my - 0.5
    across, down = np.meshgrid(x, y)
    return across.ravel(), down.ravel()


def _design(frame: MeasuredFrame, x: Float64, y: Float64, terms: npt.NDArray[np.int64]) -> Float64:
    """(m, n) terms of the polynomial at places x, y (m,) of a frame."""
    u, v = 2 * x / (frame.raw.nx - 1) - 1, 2 * y / (frame.raw.ny - 1) - 1
    return np.stack([u ** t[0] * v ** t[1] for t in terms], axis=1)


def _ranges(cells: Float64) -> Float64:
    """Largest less smallest level (4, my, mx) around each cell: how little is known of what lies within it."""
    size = (1, 3, 3)
    return np.asarray(
        ndimage.maximum_filter(cells, size) - ndimage.minimum_filter(cells, size), dtype=np.float64
    )


def _cell_variance(frame: MeasuredFrame) -> Float64:
    """(4, 1) variance of the level of a cell, a little more than that of the mean of its samples."""
    _, my, mx = frame.sky_map.shape
    return np.asarray(
        LEVEL_VARIANCE * frame.noise[:, None] ** 2 * 4 * my * mx / (frame.raw.ny * frame.raw.nx)
    )


def _fitted(
    difference: Float64, trust: Float64, design: Float64, terms: npt.NDArray[np.int64]
) -> tuple[Float64, float]:
    """Robust polynomial fit to cells of some inverse variance, and its standard error, rms over all cells.

    Terms beyond what the cells support stay zero.
    """
    out, use = np.zeros(len(terms)), np.isfinite(difference)
    total = terms.sum(axis=1)
    supported = total == 0
    for order in range(1, int(total.max()) + 1):
        if use.sum() >= 4 * (total <= order).sum():
            supported = total <= order
    if use.sum() == 0:
        return out, 0.0
    weight: Float64 = np.ones(int(use.sum()))
    # Of cells too few for the whole polynomial none can be spared: the flattest one would decide alone.
    root = np.sqrt(trust[use].astype(np.float64)) if supported.all() else np.ones(int(use.sum()))
    data, rows = difference[use] * root, design[use][:, supported] * root[:, None]
    fit = np.zeros(rows.shape[1])
    for _ in range(10):
        # Of polynomials over -1 to 1 the normal equations lose nothing, and they are few.
        weighted = rows.T * weight
        fit = np.asarray(np.linalg.lstsq(weighted @ rows, weighted @ data, rcond=None)[0], dtype=np.float64)
        residual = data - rows @ fit
        sigma = 1.4826 * float(np.median(np.abs(residual - np.median(residual)))) + 1e-12
        # Tukey's biweight: cells where a cloud edge or a bright star upsets the difference lose their say.
        weight = np.clip(1 - (residual / (4.685 * sigma)) ** 2, 0.0, None) ** 2
        if weight.sum() < rows.shape[1]:
            break
    out[supported] = fit
    return out, _error(rows, weight, residual, design[:, supported])


def _error(rows: Float64, weight: Float64, residual: Float64, design: Float64) -> float:
    """Standard error of a surface fitted with Tukey's biweight, rms over places with these terms (m, n).

    That of an M-estimate (Huber, Robust Statistics, 1981, 7.6): the scatter of what residuals pull with over the
    square of how much the pull changes with them.
    """
    cells, terms = rows.shape
    if weight.sum() <= terms:
        return 0.0
    root = np.sqrt(weight)
    change = float(np.mean(root * (5 * root - 4)))
    pull = float(np.square(weight * residual).sum()) / (cells - terms)
    inverse = np.linalg.pinv(rows.T @ rows)
    return float(np.sqrt(pull * np.einsum("mi,ij,mj->m", design, inverse, design).mean()) / max(change, 0.1))
