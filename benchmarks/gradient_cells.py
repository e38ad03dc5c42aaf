"""Measure whether the error that is told of a filled field's slope holds, on cells of many simulated fields.

Usage: python benchmarks/gradient_cells.py [--write] [--seeds N ...]

No lights are made: cells hold the true light of the object alone, the mean sky of all lights, and noise as a stack of
them has it. Such cells give the figures of whole runs to about a tenth, in a hundredth of the time.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from accuracy import written
from fineness import truth
from finish_sets import COLOURS, COMMON
from finish_sets import KINDS as FINISHED
from gradients import KINDS as SLANTED
from gradients import PAGE

from fourlight.core.levels import Cells
from fourlight.core.skyslope import Sky, sky_under
from fourlight.recipe_finish import Gradient
from fourlight.simulate.light import throughput
from fourlight.simulate.plan import plan_lights
from fourlight.simulate.scene import Scene, loads
from fourlight.simulate.world import build_world

Float64 = npt.NDArray[np.float64]

CELL = 31
"""Side in pixels of the stack, as the picture takes it for 1000 of them."""
FILLED = (
    "nebula, Moon and gradient",
    "bright nebula, gradient",
    "dust and reflection, bright sky with gradient",
    "emission nebula",
    "reflection and dark dust",
    "well sampled nebula",
)
"""Kinds of `gradients.py` and `finish_sets.py` whose light leaves less than a fifth of the field empty."""
SAMPLES = np.array([0.25, 0.5, 0.25])
"""Part of the samples of a mosaic that are R, G and B."""


@dataclass(frozen=True, slots=True)
class Field:
    """Levels of cells, (3, my, mx), electrons of one light."""

    object: Float64
    sky: Float64
    noise: Float64
    """(3,) of a pixel of the stack."""
    shape: tuple[int, int]
    """Of the image."""


def field_of(scene: Scene) -> Field:
    """Object and sky of a scene on cells."""
    plans = plan_lights(scene, throughput(scene))
    world = build_world(scene, plans)
    still = replace(plans[0], matrix=np.eye(2, 3), transparency=1.0)
    light = truth(replace(world, stars=replace(world.stars, rate=0 * world.stars.rate)), still, 1.0)
    ny, nx = light["G"].shape
    y, x = np.meshgrid(np.arange(ny) - (ny - 1) / 2, np.arange(nx) - (nx - 1) / 2, indexing="ij")
    level = np.mean([plan.sky_e / plan.transparency for plan in plans], axis=0)
    slope = np.mean([plan.sky_slope_e / plan.transparency for plan in plans], axis=0)
    read = world.scene.camera.read_noise_e**2
    noise = np.sqrt((level + read) / (SAMPLES * len(plans)))
    sky = np.array([_cells(level[c] + slope[c, 0] * x + slope[c, 1] * y) for c in range(3)])
    return Field(np.array([_cells(light[c]) for c in COLOURS]), sky, noise, (ny, nx))


def _cells(image: npt.NDArray[np.floating]) -> Float64:
    """Means of cells; a last part of a cell at the edge counts as one of its own."""
    ny, nx = image.shape
    edges = np.arange(0, ny, CELL), np.arange(0, nx, CELL)
    total = np.add.reduceat(np.add.reduceat(image.astype(np.float64), edges[0], axis=0), edges[1], axis=1)
    sides = (np.diff(np.append(at, size)) for at, size in zip(edges, (ny, nx), strict=True))
    return np.asarray(total / np.multiply.outer(*sides))


def found_in(field: Field, seed: int) -> tuple[Sky, Float64]:
    """The sky that is found, and what is wrong with it, (3, my, mx), without its mean."""
    rng = np.random.default_rng(seed)
    error = 1.2533 * field.noise / CELL
    cells = [
        Cells(
            light + sky + e * rng.normal(size=sky.shape), np.full(sky.shape, e), np.full(sky.shape, s),
            CELL, field.shape,
        )
        for light, sky, e, s in zip(field.object, field.sky, error, field.noise, strict=True)
    ]  # fmt: skip
    sky = sky_under(cells, Gradient().order)
    y, x = np.meshgrid(*cells[0].centres(), indexing="ij")
    off = np.array([s.at(y, x) for s in sky.surfaces]) - field.sky
    return sky, off - off.mean(axis=(1, 2), keepdims=True)


@dataclass(frozen=True, slots=True)
class Off:
    """Of one field, (3,) R, G and B."""

    sigma: Float64
    """What is wrong, rms over the field, in the noise of a pixel."""
    told: Float64
    """The same over the error that was told."""


def row(kind: str, fields: list[Off]) -> str:
    """What was found on the fields of a kind."""
    sigma, told = (np.array([getattr(off, name) for off in fields]) for name in ("sigma", "told"))
    over = 100 * np.mean(np.sqrt((told**2).mean(axis=1)) > 2)
    return (
        f"| {kind} | {len(fields)} | {np.median(sigma):.2f}, {sigma.max():.2f} | {np.sqrt((told**2).mean()):.2f} "
        f"| {over:.0f} |"
    )


def main() -> None:
    """Measure, print, and with --write put the table into the page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, nargs="*", default=[301, 302, 303, 304, 311, 312, 313])
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    found: dict[str, list[Off]] = {}
    for kind in FILLED:
        for seed in chosen.seeds:
            field = field_of(loads((COMMON + {**FINISHED, **SLANTED}[kind]).format(seed=seed)))
            sky, off = found_in(field, seed)
            rms = off.std(axis=(1, 2))
            found.setdefault(kind, []).append(Off(rms / field.noise, rms / sky.error))
            each = (" / ".join(f"{v:.2f}" for v in values) for values in (rms / field.noise, rms / sky.error))
            print(f"| {kind} | {seed} | {100 * sky.taken:.0f} | {' | '.join(each)} |", flush=True)
    head = "| set | fields | off, sigma of a pixel, median, highest | off over its error, rms | more than twice, % |"
    every = [off for fields in found.values() for off in fields]
    lines = [head, "|---|---|---|---|---|", *(row(kind, fields) for kind, fields in found.items())]
    lines.append(row("all", every))
    print("\n".join(lines))
    if chosen.write:
        written("slopes", "\n".join(lines), PAGE)


if __name__ == "__main__":
    main()
