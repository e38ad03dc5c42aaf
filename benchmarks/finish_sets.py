"""Stacks of simulated nights with the light that they should show: what `finish.py` measures on."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from astropy.io import fits
from fineness import truth

from fourlight.frames import StarList
from fourlight.pipeline.run import run
from fourlight.pipeline.star_table import read_stars
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.light import throughput
from fourlight.simulate.plan import plan_lights
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import Scene, loads
from fourlight.simulate.world import build_world

Float32 = npt.NDArray[np.float32]
Planes = dict[str, Float32]
COLOURS = ("R", "G", "B")
FULL_E = 35_000.0
"""Brighter pixels of the stack may hold full samples: wells hold 50,000 electrons, and seeing changes."""

COMMON = """
seed = {seed}
exposure_s = 240.0
[camera]
width_px = 1000
height_px = 700
[calibration]
darks = 8
flats = 8
bias = 8
"""
KINDS = {
    "emission nebula": """
[object]
seed = {seed}
halpha_rayleigh = 3000.0
size = 0.75
[[nights]]
count = 12
seeing_arcsec = 2.4
cloud_share = 0.1
[[nights]]
count = 12
seeing_arcsec = 2.7
rotation_deg = 0.8
moon_phase_deg = 80.0
""",
    "faint nebula, few lights": """
[object]
seed = {seed}
halpha_rayleigh = 700.0
oiii_ratio = 0.5
size = 0.9
[[nights]]
count = 9
""",
    "reflection and dark dust": """
[object]
seed = {seed}
halpha_rayleigh = 150.0
reflection_mag = 20.0
starlight_mag = 21.5
dust_mag = 6.0
size = 0.9
[[nights]]
count = 24
""",
    "cluster": """
[object]
kind = "none"
[stars]
count = 4000
cluster_count = 350
cluster_x = 0.5
cluster_y = 0.5
cluster_radius = 0.12
cluster_brightest_mag = 10.0
[[nights]]
count = 24
""",
    "well sampled nebula": """
[object]
seed = {seed}
halpha_rayleigh = 5000.0
size = 0.8
[stars]
count = 900
[optics]
aperture_mm = 250.0
focal_mm = 1250.0
[[nights]]
count = 30
seeing_arcsec = 2.2
""",
    "well sampled cluster in dust": """
[object]
seed = {seed}
halpha_rayleigh = 1500.0
reflection_mag = 20.0
dust_mag = 5.0
size = 0.9
[stars]
count = 1200
cluster_count = 200
cluster_x = 0.4
cluster_y = 0.5
cluster_radius = 0.1
[optics]
aperture_mm = 250.0
focal_mm = 1250.0
[[nights]]
count = 30
seeing_arcsec = 2.0
""",
    "well sampled galaxy": """
[object]
seed = {seed}
kind = "galaxy"
size = 0.7
halpha_rayleigh = 150.0
reflection_mag = 20.3
starlight_mag = 18.3
dust_mag = 1.6
[stars]
count = 900
[optics]
aperture_mm = 250.0
focal_mm = 1250.0
[[nights]]
count = 30
seeing_arcsec = 2.1
""",
    "well sampled reflection and dark dust": """
[object]
seed = {seed}
halpha_rayleigh = 150.0
reflection_mag = 20.0
starlight_mag = 21.5
dust_mag = 6.0
size = 0.9
[stars]
count = 1000
[optics]
aperture_mm = 250.0
focal_mm = 1250.0
[[nights]]
count = 30
seeing_arcsec = 2.1
""",
}


@dataclass(frozen=True, slots=True)
class Set:
    """A stack and what it should show, per colour, electrons of one light."""

    kind: str
    planes: Planes
    variances: Planes
    halves: tuple[Planes, Planes]
    stars: StarList
    truth: Planes
    """Mean expected light of object and stars in all lights of the stack, on its pixels."""
    starless: Planes
    """The same without the stars."""
    glow: Planes
    """Mean expected light of the object alone, without any sky."""
    saturation: float
    """Electrons above the sky at which single lights are full."""
    method: str
    """How it was integrated."""


def scene_of(kind: str, seed: int) -> Scene:
    """The scene of one kind."""
    return loads((COMMON + KINDS[kind]).format(seed=seed))


def made(kind: str, seed: int, folder: Path) -> Set:
    """Simulate and integrate a set, or take it from the folder where that was done before."""
    out = folder / "out"
    light, object_alone = stacked(scene_of(kind, seed), folder)
    planes, variances, halves = read(out)
    glow = dict(object_alone)
    for c in COLOURS:
        light[c], object_alone[c] = _matched(light[c], object_alone[c], planes[c], variances[c])
    stars = read_stars(out)
    method = json.loads((out / "summary.json").read_text())["integration"]["method"]
    return Set(kind, planes, variances, halves, stars, light, object_alone, glow, FULL_E, method)


def stacked(scene: Scene, folder: Path) -> tuple[Planes, Planes]:
    """Simulate a scene and integrate it into ``folder/out``; expected light of all, and of the object alone, no sky."""
    nights, out, kept = folder / "nights", folder / "out", folder / "truth.npz"
    if not (out / "summary.json").exists():
        simulate(scene, nights)
        settings = [
            "integrate.grid=1x",
            "registration.min_matches=5",
            "evidence.channels=false",
            "evidence.claims=false",
        ]
        run([nights], out, with_settings(Recipe(), settings))
    if not kept.exists():
        np.savez(kept, **_truths(scene, json.loads((out / "summary.json").read_text())))
    with np.load(kept) as known:
        light, object_alone = ({c: known[f"{name}_{c}"] for c in COLOURS} for name in ("light", "object"))
    return light, object_alone


def read(out: Path) -> tuple[Planes, Planes, tuple[Planes, Planes]]:
    with fits.open(out / "stack.fits") as file:
        planes, variances = (
            {c: file[f"{p}{c}"].data.astype(np.float32) for c in COLOURS} for p in ("", "VAR_")
        )
    with fits.open(out / "halves.fits") as file:
        first, second = ({c: file[f"{c}_{h}"].data.astype(np.float32) for c in COLOURS} for h in "AB")
    return planes, variances, (first, second)


def _truths(scene: Scene, summary: dict[str, Any]) -> Planes:
    """Expected light on the grid of the reference light, blurred as each of the lights in turn."""
    plans = plan_lights(scene, throughput(scene))
    world = build_world(scene, plans)
    of = {Path(plan.name).parts[-2:]: plan for plan in plans}
    reference = next(of[Path(f["path"]).parts[-2:]] for f in summary["frames"] if f["rms_px"] is None)
    used = [of[Path(f["path"]).parts[-2:]] for f in summary["frames"] if not f.get("set_aside")]
    # wide means are enough: what lights differ by is only their blur, so a few of the sorted ones stand for all
    used = sorted(used, key=lambda plan: plan.fwhm_px[1])
    used = [used[i] for i in np.linspace(0, len(used) - 1, min(7, len(used))).round().astype(int)]
    none = replace(world, stars=replace(world.stars, rate=0 * world.stars.rate))
    total: Planes = {}
    for plan in used:
        blurred = replace(
            reference, fwhm_px=plan.fwhm_px, smear_px=plan.smear_px, smear_angle_deg=plan.smear_angle_deg,
            transparency=1.0,
        )  # fmt: skip
        for name, sky in (("light", world), ("object", none)):
            for c, image in truth(sky, blurred, 1.0).items():
                if c in COLOURS:
                    total[f"{name}_{c}"] = total.get(f"{name}_{c}", 0) + image / np.float32(len(used))
    return total


def _matched(light: Float32, alone: Float32, plane: Float32, variance: Float32) -> tuple[Float32, Float32]:
    """The truth, and that without stars, with the stack's own blur and sky: neither is what finishing changes.

    A kernel of 7 x 7 and a surface of second order for the whole plane, fitted to all pixels that are not full.
    """
    use = np.isfinite(plane) & np.isfinite(variance) & (light < FULL_E)
    y, x = (np.linspace(-1, 1, n) for n in plane.shape)
    y, x = np.meshgrid(y, x, indexing="ij")
    sky = [np.ones_like(x), x, y, x * x, x * y, y * y]
    weight = 1 / np.sqrt(variance[use] + (0.003 * light[use].astype(np.float64)) ** 2)
    lit = _shifted(light)
    columns = np.stack([*(part[use] for part in lit), *(part[use] for part in sky)], axis=1) * weight[:, None]
    found = np.linalg.solve(columns.T @ columns, columns.T @ (plane[use] * weight))
    level = sum(value * part for value, part in zip(found[len(lit) :], sky, strict=True))
    made = (
        sum(value * part for value, part in zip(found, _shifted(image), strict=False)) + level
        for image in (light, alone)
    )
    whole, object_alone = (np.asarray(image, dtype=np.float32) for image in made)
    return whole, object_alone


def _shifted(image: Float32) -> list[Float32]:
    """The image moved by up to three pixels each way."""
    wide = np.pad(image, 3, mode="edge")
    ny, nx = image.shape
    return [wide[j : j + ny, i : i + nx] for j in range(7) for i in range(7)]
