"""Measure the resolution of planes from half stacks against the truth of simulated nights.

Usage: python benchmarks/fineness.py [--write] [--seeds N] [--frames N ...] [--width PX ...] [--size PX]

Every set of lights is integrated in both ways on both grids. The truth is the noise-free light of object and stars as
the reference light saw it, drawn on the pixels of the stack; the frequency at which the sum of both half stacks
correlates with it by one half, under the same windows and masks, is what the halves should find at 1/7. A point
spread that is round multiplies all of a ring alike and leaves its correlation as it is: the blurred truth stands for
the sharp one too, and unlike that it holds nothing finer than its pixels.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from accuracy import written
from astropy.io import fits

from fourlight.core import maps
from fourlight.core.crossing import crossing
from fourlight.core.resolution import ONE_SEVENTH, Rings
from fourlight.frames import StarList
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.exposure import expected_light
from fourlight.simulate.light import throughput
from fourlight.simulate.plan import plan_lights
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import Scene, loads
from fourlight.simulate.world import World, build_world
from fourlight.stages.fineness import curves, fineness
from fourlight.stages.sampling import Lights
from fourlight.stages.star_covers import star_covers

Float32 = npt.NDArray[np.float32]

HERE = Path(__file__).parent
PAGE = HERE.parent / "docs" / "channels.md"
PLANES = ("R", "G1", "G2", "B", "G")
METHODS, GRIDS = ("drizzle", "least-squares"), ("1x", "2x")
PIXEL_ARCSEC = 206.264806 * 3.76 / 530
OTHER_ARCSEC = 1.2
"""What optics, focus and guiding add to the seeing of the scene, in quadrature."""
LEAST_E = 300.0
"""Stars of as much light in a light and plane are in the list."""

SCENE = """
seed = {seed}
exposure_s = 180.0
[object]
seed = {seed}
size = 0.8
halpha_rayleigh = {rayleigh:.0f}
[stars]
count = 200
brightest_mag = 10.0
faintest_mag = 18.5
cluster_count = 0
[optics]
focal_mm = 530.0
dust_motes = 0
[camera]
width_px = {size}
height_px = {size}
[calibration]
darks = 12
flats = 12
bias = 12
[[nights]]
count = {count}
seeing_arcsec = {seeing:.2f}
dither_px = {dither}
"""


@dataclass(frozen=True, slots=True)
class Row:
    """One plane of one stack; frequencies in cycles per pixel of the camera."""

    count: int
    width: float
    method: str
    grid: str
    plane: str
    found: float
    low: float
    high: float
    half_bit: float
    true: float
    limit: float
    reason: str


def scene_of(seed: int, count: int, width_px: float, size: int, dither: float = 6.0) -> Scene:
    """An invented field; wider stars go with a brighter object, so that its detail is seen in all."""
    seeing = np.sqrt(max((width_px * PIXEL_ARCSEC) ** 2 - OTHER_ARCSEC**2, 0.5))
    return loads(
        SCENE.format(
            seed=seed, count=count, size=size, dither=dither, seeing=seeing, rayleigh=2000 * width_px
        )
    )


def truth(world: World, plan: Any, zoom: float) -> dict[str, Float32]:
    """Expected electrons of object and stars in the reference light, every pixel of the stack in every plane."""
    ny, nx = (int(side * zoom) for side in world.detector.sensitivity.shape)
    shift = 0.5 * (1 / zoom - 1)
    fine = maps.composed(np.array([[1 / zoom, 0, shift], [0, 1 / zoom, shift]]), plan.matrix)
    dark = replace(
        plan, matrix=fine, fwhm_px=plan.fwhm_px * zoom, smear_px=plan.smear_px * zoom, sky_e=np.zeros(3),
        sky_slope_e=np.zeros((3, 2)), trails=(),
    )  # fmt: skip
    found = {}
    for colour, plane in enumerate("RGB"):
        every = replace(
            world.detector, cell=np.full((2, 2), colour, dtype=np.int64), sensitivity=np.ones((ny, nx))
        )
        found[plane] = expected_light(replace(world, detector=every), dark).astype(np.float32)
    return found | {"G1": found["G"], "G2": found["G"]}


def star_list(world: World, plan: Any, zoom: float) -> StarList:
    """Stars that single lights show, at their places on the stack, but for every twentieth, as lists miss some."""
    light = world.stars.rate[:, [0, 1, 1, 2]] * plan.exposure_s
    seen = light.max(axis=1) > LEAST_E
    seen[np.argsort(-light.max(axis=1))[3::20]] = False
    x, y = maps.apply(maps.inverse(plan.matrix), world.stars.x[seen], world.stars.y[seen])
    ones, shift = np.ones(int(seen.sum())), 0.5 * (zoom - 1)
    return StarList(
        zoom * x + shift, zoom * y + shift, light[seen], 0 * light[seen], zoom * plan.fwhm_px[1] * ones, ones,
        light[seen].max(axis=1) > 2e5,
    )  # fmt: skip


def measure(scene: Scene, out: Path, given: dict[str, Any]) -> list[Row]:
    """What halves say and what the truth says of every plane of a stack."""
    summary = json.loads((out / "summary.json").read_text())
    zoom = summary["grid"]["zoom"]
    plans = plan_lights(scene, throughput(scene))
    world = build_world(scene, plans)
    reference = next(Path(f["path"]).parts[-2:] for f in summary["frames"] if f["rms_px"] is None)
    plan = next(p for p in plans if Path(p.name).parts[-2:] == reference)
    light, stars, lights = (
        truth(world, plan, zoom),
        star_list(world, plan, zoom),
        Lights.of(summary["frames"], zoom),
    )
    with fits.open(out / "halves.fits") as file:
        halves = {
            plane: (file[f"{plane}_A"].data.astype(np.float32), file[f"{plane}_B"].data.astype(np.float32))
            for plane in PLANES
        }
    found = fineness(halves, stars, lights)
    against = {plane: ((first + second) / 2, light[plane]) for plane, (first, second) in halves.items()}
    known = curves(against, star_covers(stars, halves), lights)
    rows = []
    for plane, ours in found.items():
        rings = known[plane].sums.rings(known[plane].share)
        square = np.maximum(rings.value, 0) ** 2
        like_halves = Rings(
            rings.frequency, square / (2 - square), rings.count
        )  # a half is a seventh here, see with_truth
        true = crossing(like_halves, ONE_SEVENTH, 1.0)[0]
        each = [float(zoom * value) for value in (*ours.seventh, ours.half[0], true, ours.finest)]
        rows.append(Row(**given, plane=plane, found=each[0], low=each[1], high=each[2], half_bit=each[3],
                        true=each[4], limit=each[5], reason=ours.reason))  # fmt: skip
    return rows


def sets(scene: Scene, count: int, width: float) -> list[Row]:
    """All stacks of one scene."""
    rows: list[Row] = []
    with tempfile.TemporaryDirectory() as folder:
        nights = Path(folder) / "nights"
        simulate(scene, nights)
        for method in METHODS:
            for grid in GRIDS:
                out = Path(folder) / f"{method}-{grid}"
                chosen = [
                    f"integrate.method={method}",
                    f"integrate.grid={grid}",
                    "registration.min_matches=5",
                ]
                run([nights], out, with_settings(Recipe(), chosen))
                given = {"count": count, "width": width, "method": method, "grid": grid}
                rows += measure(scene, out, given)
                print(*(_told(row) for row in rows[-len(PLANES) :]), sep="\n", flush=True)
    return rows


def _told(row: Row) -> str:
    if row.reason:
        return (
            f"{row.count} {row.width} {row.method} {row.grid} {row.plane}: {row.reason} (true {row.true:.4f})"
        )
    return (
        f"{row.count} {row.width} {row.method} {row.grid} {row.plane}: {row.found:.4f} ({row.low:.4f} to"
        f" {row.high:.4f}), true {row.true:.4f}, {100 * (row.found / min(row.true, row.limit) - 1):+.1f} %"
    )


def table(rows: list[Row]) -> str:
    """Lines for each number of lights, width, method and grid, over planes and seeds."""
    heads = (
        "lights", "star width, px", "method", "grid", "true, cycles/px", "found over true, median", "worst",
        "within its range (95 %)", "at the limit",
    )  # fmt: skip
    lines = [f"| {' | '.join(heads)} |", "|---" * len(heads) + "|"]
    for key in sorted({(r.count, r.width, r.method, r.grid) for r in rows}):
        chosen = [r for r in rows if (r.count, r.width, r.method, r.grid) == key and not r.reason]
        if not chosen:
            continue
        apart = np.array([r.found / min(r.true, r.limit) - 1 for r in chosen])
        inside = np.mean([r.low <= min(r.true, r.limit) <= r.high for r in chosen])
        limited = sum(r.found >= 0.999 * r.limit for r in chosen)
        true = [r.true for r in chosen]
        lines.append(
            f"| {key[0]} | {key[1]:g} | {key[2]} | {key[3]} | {min(true):.3f}-{max(true):.3f} |"
            f" {100 * np.median(apart):+.1f} % | {100 * apart[np.abs(apart).argmax()]:+.1f} % |"
            f" {100 * inside:.0f} % | {limited} of {len(chosen)} |"
        )
    return "\n".join(lines)


def main() -> None:
    """Measure, print, and with --write put the table into the page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--frames", type=int, nargs="*", default=[10, 20, 40])
    parser.add_argument("--width", type=float, nargs="*", default=[2.0, 3.0, 4.0])
    parser.add_argument("--size", type=int, default=512)
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    rows: list[Row] = []
    for seed in range(1, chosen.seeds + 1):
        for count in chosen.frames:
            for width in chosen.width:
                rows += sets(scene_of(100 * seed + count, count, width, chosen.size), count, width)
    still = sets(scene_of(3, 20, 3.0, chosen.size, dither=0.0), 20, 3.0)
    print(table(rows))
    print(
        f"without dithering: {sum(bool(row.reason) for row in still)} of {len(still)} planes without a number"
    )
    if chosen.write:
        written("fineness", table(rows), PAGE)


if __name__ == "__main__":
    main()
