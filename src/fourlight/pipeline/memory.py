"""Memory of a run, reckoned before anything is done."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fourlight.engine import PROGRAM_BYTES
from fourlight.errors import RecipeError
from fourlight.frames import RawFrame
from fourlight.pipeline.lights import MEASURE_BYTES
from fourlight.recipe import Recipe
from fourlight.stages.geometry import TILE_BYTES
from fourlight.stages.grid import Grid

__all__ = ["check_memory", "needed_memory", "piece_bytes", "pixels_of"]

LIGHT_BYTES = 300_000
"""Held of each light through the run: its stars, its sky and where it lies."""
NOISE_BYTES = 190_000_000
"""While the noise is checked: residuals of some lights and of pure noise, and their samples on a part of the stack."""
SUMS_BYTES = {"drizzle": 80_000_000, "least-squares": 340_000_000}
"""Of sums of a tile that are kept or added to, at most."""
PICTURE_BYTES = (60_000_000, 9)
"""While the picture is made: a small part of it, and per pixel where there is sky, stars, and what is full."""


def check_memory(recipe: Recipe, lights: Sequence[RawFrame]) -> None:
    """Refuse a run that cannot stay within the memory of the recipe, even with one thread.

    Raises
    ------
    RecipeError
        Says how much is needed.
    """
    largest = max(lights, key=pixels_of)
    needed = needed_memory(len(lights), pixels_of(largest), Grid.named(recipe.integrate.grid).zoom)
    if recipe.run.keep_sums:
        needed += SUMS_BYTES.get(recipe.integrate.method, max(SUMS_BYTES.values()))
    if needed > recipe.run.memory_gb * 1e9:
        size = f"{len(lights)} lights of {'up to ' * (len({pixels_of(f) for f in lights}) > 1)}"
        size += f"{largest.nx} x {largest.ny} px{' whose sums are kept' * recipe.run.keep_sums}"
        least = f"{size} need at least {np.ceil(needed / 1e8) / 10:.1f}"
        raise RecipeError("run.memory_gb", recipe.run.memory_gb, least, "setting")


def pixels_of(frame: RawFrame) -> int:
    """Number of samples of a frame."""
    return frame.ny * frame.nx


def piece_bytes(pixels: int) -> float:
    """Memory in bytes of the largest piece of work that a crew is given, for lights of so many pixels."""
    return max(TILE_BYTES, MEASURE_BYTES * pixels)


def needed_memory(lights: int, pixels: int, zoom: float) -> float:
    """Memory in bytes that a run takes at least.

    Parameters
    ----------
    lights : int
    pixels : int
        Of a light.
    zoom : float
        Pixels of the stack along one of a light.

    Examples
    --------
    Six lights of 12 MP run in half a gigabyte; 200 of 26 MP take more.

    >>> needed_memory(6, 4000 * 3000, 1.0) < 0.5e9, round(needed_memory(200, 6248 * 4176, 1.0) / 1e9, 1)
    (True, 0.6)
    """
    largest = max(
        piece_bytes(pixels),
        NOISE_BYTES,
        PICTURE_BYTES[0] + PICTURE_BYTES[1] * pixels * zoom**2,
    )
    return PROGRAM_BYTES + LIGHT_BYTES * lights + largest
