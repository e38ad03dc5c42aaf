"""Fewer lights of a night, chosen evenly over time and by chance, not by how good they are."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from fourlight.errors import InputError

__all__ = ["even_choice"]

FEWEST = 2


def even_choice(total: int, wanted: int, seed: int) -> list[int]:
    """Places of so many lights among all in order of time: one by chance from each of as many equal stretches.

    Raises
    ------
    InputError
        There are not so many, or fewer than two are asked for.

    Examples
    --------
    >>> even_choice(4, 4, 1), len(set(even_choice(20, 7, 1)))
    ([0, 1, 2, 3], 7)
    """
    if not FEWEST <= wanted <= total:
        raise InputError(f"--subs {wanted}: the stack has {total} lights; {FEWEST} to {total} are needed")
    rng = np.random.default_rng(seed)
    edges = np.ceil(np.linspace(0, total, wanted + 1) - 1e-9).astype(int).tolist()
    return [int(rng.integers(low, high)) for low, high in pairwise(edges)]
