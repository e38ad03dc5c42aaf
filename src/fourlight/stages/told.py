"""Numbers as text with as many digits as what is said of them needs."""

from __future__ import annotations

import math
from collections.abc import Sequence

__all__ = ["beside", "decimals_beside"]

MOST = 6
"""Decimals at most."""


def decimals_beside(values: Sequence[float], bounds: Sequence[float], decimals: int) -> int:
    """As few decimals, from ``decimals`` on, as leave every value on the side of every bound on which it is.

    >>> decimals_beside([0.98, 0.9996], [1.0], 2), decimals_beside([1.0, 2.0], [1.0], 1)
    (4, 1)
    """

    def side(value: float, bound: float) -> int:
        return (value > bound) - (value < bound)

    while decimals < MOST and any(
        math.isfinite(value) and side(float(f"{value:.{decimals}f}"), bound) != side(value, bound)
        for value in values
        for bound in bounds
    ):
        decimals += 1
    return decimals


def beside(value: float, bound: float, decimals: int) -> str:
    """A number with digits enough to be seen on its side of a bound.

    >>> beside(2.4967, 2.5, 1), beside(2.6, 2.5, 1), beside(2.5, 2.5, 1)
    ('2.497', '2.6', '2.5')
    """
    return f"{value:.{decimals_beside([value], [bound], decimals)}f}"
