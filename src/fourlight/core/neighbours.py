"""How much neighbours in a series have in common, quickly, for a number that is told while a night goes on.

`fourlight.core.correlated` weighs every degree of it, which claims need; it takes a hundred times as long.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["shared_by_neighbours"]


def shared_by_neighbours(rest: npt.NDArray[np.float64], most: float) -> float:
    """Correlation of neighbours, 0 to ``most``, of deviations (n,) from a mean or a line.

    n values are worth n (1 - r) / (1 + r) independent ones (Bartlett 1935, J. R. Stat. Soc. 98, 536, as remembered);
    the estimate of r is biased low by (1 + 4 r) / n (Marriott & Pope 1954, as remembered), which is put back.

    >>> shared_by_neighbours(np.array([1.0, -1.0, 1.0, -1.0]), 0.9)
    0.0
    """
    power = float((rest**2).sum())
    shared = float((rest[1:] * rest[:-1]).sum() / max(power, 1e-300))
    return float(np.clip(shared + (1 + 4 * shared) / len(rest), 0.0, most))
