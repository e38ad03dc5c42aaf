"""Maps of the plane as 2 x 3 matrices: position = matrix @ (x, y, 1)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["affine", "apply", "composed", "inverse", "similarity"]

Float64 = npt.NDArray[np.float64]


def apply(matrix: Float64, x: Float64, y: Float64) -> tuple[Float64, Float64]:
    """Positions ``(x, y)`` carried by a 2 x 3 matrix.

    >>> x, y = apply(np.array([[1.0, 0, 5], [0, 1, -2]]), np.array([1.0]), np.array([1.0]))
    >>> x.tolist(), y.tolist()
    ([6.0], [-1.0])
    """
    return matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2], matrix[1, 0] * x + matrix[1, 1] * y + matrix[
        1, 2
    ]


def inverse(matrix: Float64) -> Float64:
    """2 x 3 matrix that undoes ``matrix``.

    >>> inverse(np.array([[2.0, 0, 6], [0, 2, 0]])).tolist()
    [[0.5, 0.0, -3.0], [0.0, 0.5, 0.0]]
    """
    linear = np.linalg.inv(matrix[:, :2])
    return np.column_stack([linear, -linear @ matrix[:, 2]])


def composed(first: Float64, second: Float64) -> Float64:
    """2 x 3 matrix that applies ``first``, then ``second``.

    >>> turn, shift = np.array([[0.0, -1, 0], [1, 0, 0]]), np.array([[1.0, 0, 5], [0, 1, 0]])
    >>> composed(turn, shift).tolist()
    [[0.0, -1.0, 5.0], [1.0, 0.0, 0.0]]
    """
    return np.column_stack([second[:, :2] @ first[:, :2], second[:, :2] @ first[:, 2] + second[:, 2]])


def affine(source: Float64, target: Float64, weight: Float64) -> Float64:
    """Weighted least-squares affine map of ``(n, 2)`` points, n >= 3, as a 2 x 3 matrix.

    >>> corners = np.array([[0.0, 0], [10, 0], [0, 10], [10, 10]])
    >>> (affine(corners, 3 * corners + 1, np.ones(4)).round(6) + 0.0).tolist()
    [[3.0, 0.0, 1.0], [0.0, 3.0, 1.0]]
    """
    centre = np.average(source, axis=0, weights=weight)
    root = np.sqrt(weight)[:, None]
    design = np.column_stack([source - centre, np.ones(len(source))]) * root
    solution = np.linalg.lstsq(design, target * root, rcond=None)[0].T
    return np.column_stack([solution[:, :2], solution[:, 2] - solution[:, :2] @ centre])


def similarity(source: Float64, target: Float64, weight: Float64, *, mirrored: bool) -> Float64:
    """Weighted least-squares shift, rotation and scale (after mirroring) of ``(n, 2)`` points, as 2 x 3 matrix."""
    flip = -1.0 if mirrored else 1.0
    z, w = source[:, 0] + 1j * flip * source[:, 1], target[:, 0] + 1j * target[:, 1]
    mean_z, mean_w = np.average(z, weights=weight), np.average(w, weights=weight)
    turn = (weight * np.conj(z - mean_z) * (w - mean_w)).sum() / (weight * np.abs(z - mean_z) ** 2).sum()
    shift = mean_w - turn * mean_z
    return np.array([[turn.real, -flip * turn.imag, shift.real], [turn.imag, flip * turn.real, shift.imag]])
