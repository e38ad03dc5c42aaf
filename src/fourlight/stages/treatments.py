"""Other treatments of the same lights, made side by side on parts of the stack: what if no darks had been used?"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core import bends, maps
from fourlight.engine import in_order
from fourlight.recipe import Integrate
from fourlight.stages.geometry import FrameTable, Tile
from fourlight.stages.grid import Grid
from fourlight.stages.integrate import integrate_tile
from fourlight.stages.parts import part_noise, part_widths
from fourlight.stages.series import AS_RUN
from fourlight.stages.stack_layers import OUTPUT_PLANES, PlaneLayers
from fourlight.stages.tile_samples import Reader
from fourlight.stages.way import Way

__all__ = ["Treatment", "made", "patches", "treatments", "zoomed"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

FEWEST_LIGHTS = 10
"""Of which the worst tenth or a half are left out."""
WORST = 0.1
ROWS, COLUMNS = 4, 5
"""Parts of the stack."""
SHARE = 1 / 8
"""Of the stack that all parts together take at most."""
LEAST_SIDE, MOST_SIDE = 48, 128


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
    unbend = np.array(
        [
            [bends.inverse(plane, (ny, nx), shape) for plane in planes]
            for planes, (ny, nx) in zip(bend, table.size.tolist(), strict=True)
        ]
    )
    matrix = np.array([grid.carried(part) for part in table.matrix])
    stars = table.stars.copy()
    stars[:, 0], stars[:, 1] = maps.apply(grid.matrix, stars[:, 0], stars[:, 1])
    return replace(
        table,
        matrix=matrix,
        inverse=np.array([maps.inverse(part) for part in matrix]),
        bend=bend,
        unbend=unbend,
        shape=shape,
        zoom=table.zoom * factor,
        fwhm_px=table.fwhm_px * factor,
        stars=stars,
    )


def patches(shape: tuple[int, int]) -> list[Tile]:
    """Parts of the stack, spread over its inner part; they take an eighth of a small stack, less of a large one."""
    ny, nx = shape
    side = int(np.clip(np.sqrt(SHARE * ny * nx / (ROWS * COLUMNS)), LEAST_SIDE, MOST_SIDE))
    side = min(side // 2 * 2, ny // ROWS, nx // COLUMNS)
    tops, lefts = (
        np.linspace(0.08 * length, 0.92 * length - side, count).astype(int).tolist()
        for length, count in ((ny, ROWS), (nx, COLUMNS))
    )
    return [Tile(y, y + side, x, x + side) for y in tops for x in lefts]


def made(
    found: Mapping[str, Treatment], settings: Integrate, way: Way, places: Sequence[Tile], threads: int,
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
    places : sequence of Tile
        From `patches`.
    threads : int
    told : callable
        Called after each treatment of a part.

    Returns
    -------
    dict
        ``[treatment][quantity]`` (m, 5), NaN where it cannot be told. ``signal`` is the mean level, sky included,
        ``noise`` the scatter within some 8 px, ``width_px`` that of the stars in pixels of the reference.
    """

    def of(place: Tile) -> dict[str, dict[str, Float64]]:
        out: dict[str, dict[str, Float64]] = {}
        base: dict[str, PlaneLayers] = {}
        for name, treatment in found.items():
            zoom = treatment.table.zoom / found[AS_RUN].table.zoom
            cut = Tile(*(int(zoom * edge) for edge in (place.y0, place.y1, place.x0, place.x1)))
            planes = integrate_tile(
                cut, treatment.table, treatment.read, settings, way.of(treatment.table)
            ).planes
            base = base or planes
            comparable, same = zoom == 1, len(treatment.table.half) == len(found[AS_RUN].table.half)
            out[name] = {
                "signal": np.array([float(np.nanmean(planes[p].layers["value"])) for p in OUTPUT_PLANES]),
                "noise": part_noise(planes, base, same=same)
                if comparable
                else np.full(len(OUTPUT_PLANES), np.nan),
                "width_px": part_widths(planes, treatment.table, cut),
            }
            told()
        return out

    parts = list(in_order(of, places, threads))
    return {
        name: {quantity: np.array([part[name][quantity] for part in parts]) for quantity in parts[0][name]}
        for name in found
    }
