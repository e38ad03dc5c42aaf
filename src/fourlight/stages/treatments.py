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
from fourlight.stages.parts import changed_alike, part_noise, part_widths
from fourlight.stages.patch_places import Place
from fourlight.stages.series import AS_RUN, least_first, tenth
from fourlight.stages.stack_layers import OUTPUT_PLANES, Method, PlaneLayers
from fourlight.stages.table import unbent
from fourlight.stages.tile_samples import Reader
from fourlight.stages.way import Way

__all__ = ["Ground", "Treatment", "made", "treatments", "zoomed"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

FEWEST_LIGHTS = 10
"""Of which the worst tenth or a half are left out."""
HALF = "half of the lights"
LOOKED_AT = ("value", "value_a", "value_b", "variance", "variance_a", "variance_b")
"""Layers of which something is told."""


@dataclass(frozen=True, slots=True)
class Treatment:
    """One way to treat the lights."""

    table: FrameTable
    read: Reader
    without: str = ""
    """The master whose noise is not in it: 'offset' or 'flat'."""
    share: Float64 | None = None
    """(4,) of the weight of all lights of the run that these have, where noise is to be told as of half of it."""
    fewer: bool = False
    """Whether lights are left out."""


def treatments(
    table: FrameTable, read: Reader, bare: Mapping[str, tuple[str, Reader]], grid: str
) -> tuple[dict[str, Treatment], dict[str, str]]:
    """Treatments that can be made of these lights, and why others cannot.

    Parameters
    ----------
    table : FrameTable
    read : callable
        Samples as the run calibrated them.
    bare : mapping of str to (str, callable)
        By the name of the treatment the master that is left out, 'offset' or 'flat', and samples without it.
    grid : str
        Name of the grid of the stack.
    """
    lights = len(table.matrix)
    found, absent = {AS_RUN: Treatment(table, read)}, {}
    found |= {name: Treatment(table, reader, master) for name, (master, reader) in bare.items()}
    for name, choose in (("without the worst tenth", _without_worst), (HALF, _half)):
        if lights >= FEWEST_LIGHTS:
            chosen = choose(table)
            share = table.density[chosen].sum(axis=0) / table.density.sum(axis=0) if name == HALF else None
            found[name] = Treatment(
                _alternating(table.rows(chosen)), _only(read, chosen), share=share, fewer=True
            )
        else:
            absent[name] = f"{FEWEST_LIGHTS} lights are needed, not {lights}"
    if grid == "2x":
        absent["twice finer grid"] = "the stack itself is on the finest grid"
    else:
        found["twice finer grid"] = Treatment(zoomed(table, 2.0), read)
    return found, absent


def _without_worst(table: FrameTable) -> list[int]:
    """Rows of the lights that weigh most, in order of time."""
    density = table.density
    order = least_first(np.column_stack([density, density[:, 1] + density[:, 2]]))
    return sorted(order[tenth(order.size) :].tolist())


def _half(table: FrameTable) -> list[int]:
    """Rows of half of the lights, two in turns so that they are of neither half of the stack; of an odd number, less.

    >>> from types import SimpleNamespace
    >>> [_half(SimpleNamespace(matrix=range(n))) for n in (10, 13)]
    [[0, 1, 4, 5, 8], [0, 1, 4, 5, 8, 9]]
    """
    lights = len(table.matrix)
    return [f for f in range(lights) if f // 2 % 2 == 0][: lights // 2]


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
class Ground:
    """What treatments are told against."""

    noisy: Mapping[str, Reader]
    """Samples as run with the noise of a master laid over them once more, by the name of the master."""
    sky: Callable[[Tile], Float64]
    """(5,) sky of the stack as run in a part of it, per pixel of the stack."""


def made(
    found: Mapping[str, Treatment], ground: Ground, settings: Integrate, way: Way, places: Sequence[Place],
    threads: int, told: Callable[[], None],
) -> dict[str, dict[str, Float64]]:  # fmt: skip
    """Signal, noise and width of stars of every treatment, plane and part of the stack.

    Parameters
    ----------
    found : mapping of str to Treatment
        With `AS_RUN` among them.
    ground : Ground
    settings : Integrate
    way : Way
        How the stack was made.
    places : sequence of Place
        From `places_of`.
    threads : int
    told : callable
        Called after each treatment of a place, and after each master whose noise is laid over it.

    Returns
    -------
    dict
        ``[treatment][quantity]`` (m, 5), NaN where it cannot be told. ``level`` is the mean light of a part for each
        pixel of the reference, object and sky, ``signal`` the same less the sky, ``noise`` the scatter within 2 to 8 px
        of a pixel of the stack, ``width_px`` that of the stars in pixels of the reference.
    """
    run = found[AS_RUN]
    # what a method reckons beforehand, above all how drops fall, holds for all places
    methods = {id(table): way.of(table) for table in {id(t.table): t.table for t in found.values()}.values()}

    def planes_of(treatment: Treatment, place: Place) -> list[dict[str, PlaneLayers]]:
        return _planes(treatment, run.table.zoom, place, settings, methods[id(treatment.table)])

    def of(place: Place) -> list[dict[str, dict[str, Float64]]]:
        usual = planes_of(run, place)
        masters: dict[str, list[Float64]] = {}
        for name, reader in ground.noisy.items():
            over = planes_of(replace(run, read=reader), place)
            masters[name] = [changed_alike(*pair) for pair in zip(over, usual, strict=True)]
            told()
        out: list[dict[str, dict[str, Float64]]] = [{} for _ in place.patches]
        for name, treatment in found.items():
            planes = usual if name == AS_RUN else planes_of(treatment, place)
            for k, patch in enumerate(place.patches):
                shared = {master: noise[k] for master, noise in masters.items()}
                part = _Part(planes[k], usual[k], shared, patch, ground.sky(patch))
                out[k][name] = _told(treatment, run, part)
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
    treatment: Treatment, usual: float, place: Place, settings: Integrate, method: Method
) -> list[dict[str, PlaneLayers]]:
    """Layers of each patch; on a finer grid patches are made one by one, which takes no more memory than a place."""
    table, zoom = treatment.table, treatment.table.zoom / usual

    def integrated(tile: Tile) -> dict[str, PlaneLayers]:
        return integrate_tile(tile, table, treatment.read, settings, method).planes

    if zoom > 1:
        return [integrated(_zoomed(patch, zoom)) for patch in place.patches]
    whole = integrated(place.tile)
    return [_cut(whole, patch, place.tile) for patch in place.patches]


@dataclass(frozen=True, slots=True)
class _Part:
    """What a treatment made of a patch."""

    planes: Mapping[str, PlaneLayers]
    usual: Mapping[str, PlaneLayers]
    """Of the stack as run."""
    masters: Mapping[str, Float64]
    """(5,) variance that the noise of each master adds to both halves of it alike."""
    patch: Tile
    sky: Float64
    """(5,) per pixel of it."""


def _told(treatment: Treatment, run: Treatment, part: _Part) -> dict[str, Float64]:
    zoom = treatment.table.zoom / run.table.zoom
    level, usual = (
        made.table.zoom**2 * np.array([_mean(planes[p].layers["value"]) for p in OUTPUT_PLANES])
        for made, planes in ((treatment, part.planes), (run, part.usual))
    )
    sky = run.table.zoom**2 * part.sky
    if treatment.without == "flat":  # shadows lie on the sky as on the object
        with np.errstate(invalid="ignore", divide="ignore"):
            sky = sky * level / usual
    return {
        "level": level,
        "signal": level - sky,
        "noise": _noise(treatment, part) if zoom == 1 else np.full(len(OUTPUT_PLANES), np.nan),
        "width_px": part_widths(part.planes, treatment.table, _zoomed(part.patch, zoom)),
    }


def _noise(treatment: Treatment, part: _Part) -> Float64:
    """(5,) noise of a pixel, of half of the lights where they are about that."""
    shared = np.sum([np.zeros(len(OUTPUT_PLANES)), *part.masters.values()], axis=0)
    if treatment.without:
        known = part.masters.get(treatment.without, 0.0)
        # what the change shows holds the noise of the master that is gone, and so did the stack as run
        shared = shared - 2 * known + changed_alike(part.planes, part.usual)
    noise = part_noise(part.planes, part.usual, shared, fewer=treatment.fewer)
    if treatment.share is None:
        return noise
    taken = np.append(treatment.share, treatment.share[1:3].mean())
    usual = part_noise(part.usual, part.usual, np.sum([np.zeros(5), *part.masters.values()], axis=0))
    # of lights that bring a share s: a / s + f, and a + f of all of them; asked for is 2 a + f
    return np.asarray(np.sqrt(usual**2 + (noise**2 - usual**2) * taken / (1 - taken)))


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
