"""The sky that a frame has more (or less) than the reference: moonlight, gradients, thin cloud.

The object is common to both frames, so once the transparency is known the difference is all sky, and all of
it is smooth. It is fitted on the coarse sky maps and taken off before rejection and weighting.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fourlight.core import maps, skycells
from fourlight.core.samples import polynomial_terms
from fourlight.frames import MeasuredFrame, RegisteredFrame

__all__ = ["sky_difference"]

Float64 = npt.NDArray[np.float64]


def sky_difference(frame: RegisteredFrame, reference: MeasuredFrame, order: int) -> Float64:
    """Polynomial of the frame's sky less what the reference's light explains.

    Parameters
    ----------
    frame : RegisteredFrame
    reference : MeasuredFrame
    order : int
        Total order of the polynomial; lowered where too few cells overlap.

    Returns
    -------
    (4, n) float64
        Coefficients per plane for `polynomial_terms(order)` in coordinates from -1 to 1 over the frame, in the
        frame's units. Zero for the reference itself.
    """
    terms = polynomial_terms(order)
    out = np.zeros((4, len(terms)))
    if frame.measured is reference:
        return out
    ny, nx = frame.measured.raw.ny, frame.measured.raw.nx
    x, y = _centres(frame.measured)
    tx, ty = maps.apply(frame.matrix, x, y)
    rx, ry = _centres(reference)
    # Beyond the outer cell centres the reference's sky map is not known well enough to compare with.
    inside = (tx >= rx.min()) & (ty >= ry.min()) & (tx <= rx.max()) & (ty <= ry.max())
    if not inside.any():
        inside = (tx >= 0) & (ty >= 0) & (tx < reference.raw.nx) & (ty < reference.raw.ny)
    scale = pixel_scale(frame)
    for plane in range(4):
        level = frame.measured.sky_map[plane].ravel().astype(np.float64)
        known = skycells.filled(reference.sky_map)[plane]
        other = skycells.interpolated_many(known, reference.raw.ny, reference.raw.nx, tx, ty)
        use = inside & np.isfinite(level)
        out[plane] = _fitted(level - scale[plane] * other, x, y, use, (ny, nx), terms)
    return out


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


def _fitted(
    difference: Float64, x: Float64, y: Float64, use: npt.NDArray[np.bool_], shape: tuple[int, int],
    terms: npt.NDArray[np.int64],
) -> Float64:  # fmt: skip
    """Robust polynomial fit; terms beyond what the cells support stay zero."""
    out = np.zeros(len(terms))
    total = terms.sum(axis=1)
    supported = total == 0
    for order in range(1, int(total.max()) + 1):
        if use.sum() >= 4 * (total <= order).sum():
            supported = total <= order
    if use.sum() == 0:
        return out
    u, v = 2 * x / (shape[1] - 1) - 1, 2 * y / (shape[0] - 1) - 1
    design = np.stack([u ** t[0] * v ** t[1] for t in terms[supported]], axis=1)
    weight = np.ones(int(use.sum()))
    data, rows = difference[use], design[use]
    fit = np.zeros(rows.shape[1])
    for _ in range(10):
        # Of polynomials over -1 to 1 the normal equations lose nothing, and they are few.
        weighted = rows.T * weight
        fit = np.linalg.lstsq(weighted @ rows, weighted @ data, rcond=None)[0]
        residual = data - rows @ fit
        sigma = 1.4826 * float(np.median(np.abs(residual - np.median(residual)))) + 1e-12
        # Tukey's biweight: cells where a cloud edge or a bright star upsets the difference lose their say.
        weight = np.clip(1 - (residual / (4.685 * sigma)) ** 2, 0.0, None) ** 2
        if weight.sum() < rows.shape[1]:
            break
    out[supported] = fit
    return out
