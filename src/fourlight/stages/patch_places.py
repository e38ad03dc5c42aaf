"""Parts of a stack on which treatments of the lights are compared."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fourlight.stages.geometry import Tile

__all__ = ["Place", "places_of"]

PATCHES, ROWS, COLUMNS = 24, 4, 5
"""About so many patches, and those of a small stack down and across."""
INNER = 0.84
"""Share of the stack's side that places span: its rim is covered by few lights."""
SHARE = 1 / 8
"""Of the stack that all parts together take at most."""
LEAST_SIDE, MOST_SIDE = 40, 112


@dataclass(frozen=True, slots=True)
class Place:
    """A part of the stack that is made at once, and the patches it is cut into."""

    tile: Tile
    patches: tuple[Tile, ...]


def places_of(shape: tuple[int, int]) -> list[Place]:
    """Places over the inner part of the stack, cut into some two dozen patches in all.

    Together they take an eighth of the stack, or all of its inner part where that is so small that patches would be too
    small for anything to be told; of a large stack less.
    """
    ny, nx = shape
    side = int(np.clip(np.sqrt(SHARE * ny * nx / PATCHES), LEAST_SIDE, MOST_SIDE)) // 2 * 2
    several = 8 * side < min(ny, nx)
    places, across = ((2, 3), (2, 2)) if several else ((1, 1), (ROWS, COLUMNS))
    spans = [int(INNER * n) // (m * k) // 2 * 2 for n, m, k in zip(shape, places, across, strict=True)]
    height, width = (min(side, span) if several else span for span in spans)
    tops, lefts = (
        np.linspace(0.5 * (1 - INNER) * n, 0.5 * (1 + INNER) * n - k * part, m).astype(int).tolist()
        for n, m, k, part in zip(shape, places, across, (height, width), strict=True)
    )
    return [
        Place(
            Tile(y, y + across[0] * height, x, x + across[1] * width),
            tuple(
                Tile(y + j * height, y + (j + 1) * height, x + i * width, x + (i + 1) * width)
                for j in range(across[0])
                for i in range(across[1])
            ),
        )
        for y in tops
        for x in lefts
    ]
