"""Other treatments of the same lights, made side by side on parts of the stack: what if no darks had been used?"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core import maps
from fourlight.engine import in_order
from fourlight.recipe import Integrate
from fourlight.stages.geometry import FrameTable, Tile
from fourlight.stages.grid import Grid
from fourlight.stages.integrate import integrate_tile
from fourlight.stages.parts import part_noise, part_widths
from fourlight.stages.series import AS_RUN
from fourlight.stages.stack_layers import OUTPUT_PLANES, PlaneLayers
from fourlight.stages.table import unbent
from fourlight.stages.tile_samples import Reader
from fourlight.stages.way import Way

__all__ = ["Place", "Treatment", "made", "places_of", "treatments", "zoomed"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

FEWEST_LIGHTS = 10
"""Of which the worst tenth or a half are left out."""
WORST = 0.1
PATCHES, ROWS, COLUMNS = 24, 4, 5
"""About so many patches, and those of a small stack down and across."""
LOOKED_AT = ("value", "value_a", "value_b")
"""Layers of which something is told."""
INNER = 0.84
"""Share of the stack's side that places span: its rim is covered by few lights."""
SHARE = 1 / 8
"""Of the stack that all parts together take at most."""
LEAST_SIDE, MOST_SIDE = 40, 112


@dataclass(frozen=True, slots=True)
class Treatment:
    """One way to treat the lights."""

    table: FrameTable
    read: Reader


def treatments(
    table: FrameTable, read: Reader, bare: Mapping[str, Reader], grid: str
) -> tuple[dict[str, Treatment], dict[str, str]]:
    """Treatments that can be made of these lights, and why others cannot.

    Parameters
    ----------
    table : FrameTable
    read : callable
        Samples as the run calibrated them.
    bare : mapping of str to callable
        Samples calibrated otherwise, by the name of the treatment.
    grid : str
        Name of the grid of the stack.
    """
    lights = len(table.matrix)
    found, absent = {AS_RUN: Treatment(table, read)}, {}
    found |= {name: Treatment(table, reader) for name, reader in bare.items()}
    for name, chosen in (
        ("without the worst tenth", _without_worst(table)),
        ("half of the lights", [f for f in range(lights) if f // 2 % 2 == 0]),
    ):
        if lights >= FEWEST_LIGHTS:
            found[name] = Treatment(_alternating(table.rows(chosen)), _only(read, chosen))
        else:
            absent[name] = f"{FEWEST_LIGHTS} lights are needed, not {lights}"
    if grid == "2x":
        absent["twice finer grid"] = "the stack itself is on the finest grid"
    else:
        found["twice finer grid"] = Treatment(zoomed(table, 2.0), read)
    return found, absent


def _without_worst(table: FrameTable) -> list[int]:
    """Rows of the lights that weigh most, in order of time."""
    weight = (table.density / table.density.max(axis=0)).mean(axis=1)
    count = max(1, round(WORST * len(weight)))
    return sorted(np.argsort(weight)[count:].tolist())


def _alternating(table: FrameTable) -> FrameTable:
    """The table with halves that take turns."""
    return replace(table, half=np.arange(len(table.half), dtype=np.int64) % 2)


def _only(read: Reader, chosen: Sequence[int]) -> Reader:
    return lambda f, *box: read(chosen[f], *box)


def zoomed(table: FrameTable, factor: float) -> FrameTable:
    """The table for a grid whose pixels are finer by a factor."""
    grid = Grid(factor)
    bend = grid.bent(table.bend)
    shape = (int(table.shape[0] * factor), int(table.shape[1] * factor))
    matrix = np.array([grid.carried(part) for part in table.matrix])
    stars = table.stars.copy()
    stars[:, 0], stars[:, 1] = maps.apply(grid.matrix, stars[:, 0], stars[:, 1])
    return replace(
        table,
        matrix=matrix,
        inverse=np.array([maps.inverse(part) for part in matrix]),
        bend=bend,
        unbend=unbent(bend, table.size, shape),
        shape=shape,
        zoom=table.zoom * factor,
        fwhm_px=table.fwhm_px * factor,
        stars=stars,
    )


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


def made(
    found: Mapping[str, Treatment], settings: Integrate, way: Way, places: Sequence[Place], threads: int,
    told: Callable[[], None],
) -> dict[str, dict[str, Float64]]:  # fmt: skip
    """Signal, noise and width of stars of every treatment, plane and part of the stack.

    Parameters
    ----------
    found : mapping of str to Treatment
        With `AS_RUN` among them.
    settings : Integrate
    way : Way
        How the stack was made.
    places : sequence of Place
        From `places_of`.
    threads : int
    told : callable
        Called after each treatment of a place.

    Returns
    -------
    dict
        ``[treatment][quantity]`` (m, 5), NaN where it cannot be told. ``signal`` is the mean level, sky included,
        ``noise`` the scatter within some 8 px, ``width_px`` that of the stars in pixels of the reference.
    """

    def of(place: Place) -> list[dict[str, dict[str, Float64]]]:
        usual: list[dict[str, PlaneLayers]] = []
        out: list[dict[str, dict[str, Float64]]] = [{} for _ in place.patches]
        for name, treatment in found.items():
            planes = _planes(treatment, found[AS_RUN].table.zoom, place, settings, way)
            usual = usual or planes
            for k, patch in enumerate(place.patches):
                out[k][name] = _told(treatment, found[AS_RUN], planes[k], usual[k], patch)
            told()
        return out

    parts = [patch for patches in in_order(of, places, threads) for patch in patches]
    return {
        name: {quantity: np.array([part[name][quantity] for part in parts]) for quantity in parts[0][name]}
        for name in found
    }


def _zoomed(tile: Tile, zoom: float) -> Tile:
    return Tile(*(int(zoom * edge) for edge in (tile.y0, tile.y1, tile.x0, tile.x1)))


def _planes(
    treatment: Treatment, usual: float, place: Place, settings: Integrate, way: Way
) -> list[dict[str, PlaneLayers]]:
    """Layers of each patch; on a finer grid patches are made one by one, which takes no more memory than a place."""
    table, zoom = treatment.table, treatment.table.zoom / usual

    def integrated(tile: Tile) -> dict[str, PlaneLayers]:
        return integrate_tile(tile, table, treatment.read, settings, way.of(table)).planes

    if zoom > 1:
        return [integrated(_zoomed(patch, zoom)) for patch in place.patches]
    whole = integrated(place.tile)
    return [_cut(whole, patch, place.tile) for patch in place.patches]


def _told(
    treatment: Treatment, usual: Treatment, planes: Mapping[str, PlaneLayers], base: Mapping[str, PlaneLayers],
    patch: Tile,
) -> dict[str, Float64]:  # fmt: skip
    """What a treatment made of a patch, of which ``base`` is the stack as run."""
    zoom = treatment.table.zoom / usual.table.zoom
    noise = np.full(len(OUTPUT_PLANES), np.nan)
    if zoom == 1:
        noise = part_noise(planes, base, same=len(treatment.table.half) == len(usual.table.half))
    return {
        "signal": np.array([_mean(planes[p].layers["value"]) for p in OUTPUT_PLANES]),
        "noise": noise,
        "width_px": part_widths(planes, treatment.table, _zoomed(patch, zoom)),
    }


def _cut(planes: Mapping[str, PlaneLayers], patch: Tile, tile: Tile) -> dict[str, PlaneLayers]:
    """The layers of a patch out of those of a tile."""
    part = (slice(patch.y0 - tile.y0, patch.y1 - tile.y0), slice(patch.x0 - tile.x0, patch.x1 - tile.x0))
    return {
        name: replace(plane, layers={key: plane.layers[key][part].copy() for key in LOOKED_AT})
        for name, plane in planes.items()
    }


def _mean(layer: Float32) -> float:
    known = np.isfinite(layer)
    return float(layer[known].mean()) if known.any() else float("nan")
