"""How many stars are of which colour, and which colour a star is likely to have whose catalogue colour is not exact."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["likely_colours", "usual_counts"]

Float64 = npt.NDArray[np.float64]

FIRST, STEP = -0.4, 0.1
COUNTS = (
    0.0, 0.0, 4.6, 39.3, 80.2, 73.7, 68.6, 74.5, 88.6, 59.6, 33.7, 18.7, 17.8, 49.1, 82.6, 68.9, 50.1, 37.8, 33.4, 36.8,
    43.7, 24.7, 6.8, 2.7, 1.3, 0.6,
)  # fmt: skip
"""Of a thousand stars of the catalogue to V = 8.5, whose colours are exact to 0.03, those of B-V around so much."""


def usual_counts(b_v: npt.ArrayLike) -> Float64:
    """How many stars are of a colour, in any unit.

    >>> usual_counts([0.5, 0.9, 1.1]).tolist()
    [59.6, 49.1, 68.9]
    """
    return np.asarray(
        np.interp(np.asarray(b_v, dtype=np.float64), FIRST + STEP * np.arange(len(COUNTS)), COUNTS, 0.0, 0.0)
    )


def likely_colours(seen: Float64, error: Float64, b_v: Float64) -> Float64:
    """How likely each of some colours is that of each star.

    Where few stars are of a colour, one that is seen there is rather one of its neighbours: what takes the colour that
    is seen for the middle is biased as soon as stars are chosen by it.

    Parameters
    ----------
    seen, error : (n,) float64
        B-V of the catalogue, and one standard deviation.
    b_v : (g,) float64
        Evenly spaced.

    Returns
    -------
    (n, g) float64
        The sum of each row is 1.

    Examples
    --------
    >>> grid = np.linspace(0.0, 1.4, 71)
    >>> (likely_colours(np.array([0.8, 0.85]), np.array([0.02, 0.15]), grid) @ grid).round(2).tolist()
    [0.8, 0.9]
    """
    with np.errstate(divide="ignore"):
        log = np.log(usual_counts(b_v)) - 0.5 * ((seen[:, None] - b_v) / error[:, None]) ** 2
    found = np.exp(log - log.max(axis=1, keepdims=True))
    return np.asarray(found / found.sum(axis=1, keepdims=True))
