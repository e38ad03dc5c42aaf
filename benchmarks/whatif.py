"""Light added to lights of a dark sky against lights simulated under the bright sky, as stacks.

Usage: python benchmarks/whatif.py [--small] [--write]

For every setup two sets of lights are simulated, alike but for the sky, and each is stacked; `fourlight whatif` makes
the third stack from the first set. Told are, by colour (red, green, blue):

- light of the raw samples with added light over what the simulator expects of the bright sky, sky and object together,
- scatter of these samples about that expectation over that of photons, reading and rounding,
- noise of the stack, sky and object together, as half stacks show it, over that of the second set.

As light is the same, signal over noise is the inverse of the noise. Noise of stacks is brought to one unit by all
lights: the unit of a stack is the light of its reference, which stars of that one light tell to some per cent. That the
sky before was so bright is said to it (--was), as by a meter. What it must find by itself: how many electrons that sky
was in each colour, what vignetting, dust and pixels do to the added light, gain, steps and noise.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits
from page_tables import write_table

from fourlight.core.cfa import COLOURS
from fourlight.core.moonlight import dark_nl, magnitude
from fourlight.pipeline.finished import Finished, finished_run
from fourlight.pipeline.run import run
from fourlight.pipeline.whatif import Asked, what_if
from fourlight.pipeline.whatif_sky import Stated
from fourlight.pipeline.whatif_stacks import regions_of
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.exposure import expected_light
from fourlight.simulate.light import throughput
from fourlight.simulate.plan import plan_lights
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from fourlight.simulate.world import build_world
from fourlight.stages.plan_skies import Moonlight
from fourlight.stages.whatif_sky import SkyWish
from fourlight.stages.whatif_snr import Blocks, Regions, seen_blocks

PAGE = Path(__file__).parents[1] / "docs" / "whatif.md"
NAMES = {"light": "light of samples", "samples": "their noise", "stack": "noise of the stack"}
BLOCK = 1
"""Side of the blocks of pixels whose noise is compared: stacks of the same lights' places are made alike."""
ALTITUDE, EXTINCTION = 60.0, 0.2
SETTINGS = (
    "evidence.channels=false", "evidence.claims=false", "registration.reference=light_0001.fits",
    "integrate.method=drizzle", "integrate.pixfrac=0.9",
)  # fmt: skip
SCENE = """
seed = {seed}
exposure_s = 120.0
[object]
kind = "{kind}"
size = 0.5
starlight_mag = 30.0
[stars]
count = 150
cluster_count = 0
[filter]
name = "{filter}"
[camera]
sensor = "bsi-8mp"
width_px = {width}
height_px = {height}
gain_e_per_adu = {gain}
read_noise_e = {read}
offset_adu = 500
[calibration]
darks = {calibration}
flats = {flats}
bias = {calibration}
[[nights]]
count = {count}
transparency_scatter = 0.0
gradient = {gradient}
zenith_deg = 30.0
extinction_mag = 0.2
sky_mag = {sky}
"""


@dataclass(frozen=True, slots=True)
class Setup:
    """One pair of skies."""

    name: str
    dark: float = 21.3
    bright: float = 19.0
    moon: tuple[float, float, float] | None = None
    """Phase angle, angle from the target, altitude; then ``bright`` is not used."""
    filter: str = "luminance"
    kind: str = "nebula"
    gain: float = 0.8
    read: float = 1.6
    flats: int = 16
    gradient: float = 0.0
    counts: bool = True
    """Whether the two skies can be alike at all: added light is even."""


SETUPS = (
    Setup("dark to suburban sky"),
    Setup("dark to bright city, smooth object", bright=17.5, kind="disc"),
    Setup("a little brighter", bright=20.8),
    Setup("behind dual 7 nm", bright=18.5, filter="dual-7nm"),
    Setup("full Moon at 60 degrees", moon=(0.0, 60.0, 40.0), kind="disc"),
    Setup("coarse steps, 6 e/ADU", gain=6.0, read=4.0),
    Setup("sky with a gradient of 6 %", gradient=0.06, counts=False),
    Setup("without flats", flats=0, counts=False),
)


def scene_of(setup: Setup, size: tuple[int, int], count: int, seed: int, *, bright: bool) -> str:
    """Text of the scene under one of the two skies."""
    text = SCENE.format(
        seed=seed, kind=setup.kind, filter=setup.filter, width=size[0], height=size[1], gain=setup.gain,
        read=setup.read, calibration=20 if count > 8 else 8, flats=setup.flats, count=count,
        gradient=setup.gradient, sky=setup.bright if bright and setup.moon is None else setup.dark,
    )  # fmt: skip
    if bright and setup.moon is not None:
        phase, apart, altitude = setup.moon
        text += (
            f"moon_phase_deg = {phase}\nmoon_separation_deg = {apart}\nmoon_zenith_deg = {90 - altitude}\n"
        )
    return text


def measured(setup: Setup, size: tuple[int, int], count: int, seed: int, place: Path) -> dict[str, float]:
    """Noise and SNR of every colour, of the what-if over that of the bright sky."""
    recipe = with_settings(Recipe(), [*SETTINGS, "gear.camera=bsi-8mp", "sky.solve=off"])
    for name, bright in (("dark", False), ("bright", True)):
        text = scene_of(setup, size, count, seed, bright=bright)
        simulate(loads(text), place / name)
        run([place / name], place / f"out-{name}", recipe)
    moon = None
    if setup.moon is not None:
        phase, apart, altitude = setup.moon
        moon = Moonlight((1 + float(np.cos(np.radians(phase)))) / 2, apart, altitude)
    wish = SkyWish(mag=at_target(setup.bright) if moon is None else None, moon=moon)
    asked = Asked(wish, stated=Stated(at_target(setup.dark), ALTITUDE, EXTINCTION))
    what_if(place / "out-dark", place / "whatif", asked)
    with finished_run(place / "out-dark") as dark:
        regions = regions_of(dark)
    blocks, units = {}, {}
    for name, folder in (("direct", place / "out-bright"), ("added", place / "whatif" / "run")):
        with finished_run(folder) as stack:
            blocks[name] = _blocks(stack, regions)
            units[name] = _unit(folder)
    scale = {colour: units["added"][colour] / units["direct"][colour] for colour in COLOURS}
    bright_sky = scene_of(setup, size, count, seed, bright=True)
    return _over(blocks["added"], blocks["direct"], scale) | raw_samples(
        bright_sky, place / "whatif" / "lights"
    )


def _unit(folder: Path) -> dict[str, float]:
    """What a stack counts as its unit of light: the true light of all its lights is that of its reference."""
    frames = json.loads((folder / "summary.json").read_text(encoding="utf-8"))["frames"]
    names = {"R": ("R",), "G": ("G1", "G2"), "B": ("B",)}
    return {
        colour: float(np.mean([frame["transparency"][plane] for frame in frames for plane in planes]))
        for colour, planes in names.items()
    }


def at_target(zenith_mag: float) -> float:
    """Brightness of the sky at the target from that at the zenith."""
    return magnitude(dark_nl(zenith_mag, 90 - ALTITUDE, EXTINCTION))


def _blocks(stack: Finished, regions: Regions) -> dict[str, Blocks]:
    return {colour: seen_blocks(stack.layers, colour, regions, BLOCK) for colour in COLOURS}


def _over(added: dict[str, Blocks], direct: dict[str, Blocks], scale: dict[str, float]) -> dict[str, float]:
    """Noise of the stack, sky and object together, of the what-if over that of the bright sky, by colour."""
    return {f"stack {c}": _noise(added[c]) / _noise(direct[c]) * scale[c] for c in COLOURS}


def raw_samples(text: str, folder: Path) -> dict[str, float]:
    """Light and noise of raw samples over what the simulator expects of the bright sky, by colour."""
    scene = loads(text)
    plans = plan_lights(scene, throughput(scene))
    world = build_world(scene, plans)
    camera = scene.camera
    dark = world.detector.dark_e(scene.exposure_s, camera.temperature_c)
    colours = np.tile(world.detector.cell, (camera.height_px // 2, camera.width_px // 2))
    fine = (dark < 5) & (world.detector.sensitivity > 0.6)
    light, noise = np.zeros((len(plans), 3)), np.zeros((len(plans), 3))
    for k, (plan, path) in enumerate(zip(plans, sorted(folder.glob("*.fits")), strict=True)):
        mean = expected_light(world, plan) * world.detector.sensitivity + dark
        electrons = (fits.getdata(path, 1).astype(float) - camera.offset_adu) * camera.gain_e_per_adu
        variance = mean + camera.read_noise_e**2 + camera.gain_e_per_adu**2 / 12
        pull = (electrons - mean) / np.sqrt(variance)
        for c in range(3):
            use = fine & (colours == c) & (mean < 0.2 * camera.full_well_e)
            use &= np.abs(pull) < 5  # particles
            noise[k, c] = np.std(pull[use])
            light[k, c] = electrons[use].sum() / mean[use].sum()
    found = {f"light {c}": float(light[:, k].mean()) for k, c in enumerate(COLOURS)}
    return found | {f"samples {c}": float(noise[:, k].mean()) for k, c in enumerate(COLOURS)}


def _noise(blocks: Blocks) -> float:
    fine = blocks.half[np.abs(blocks.half) < 5 * 1.4826 * np.median(np.abs(blocks.half))]
    return float(np.sqrt(np.mean(fine**2)))


def main() -> None:
    """Print the table; with ``--write`` put it into the documentation."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--small", action="store_true")
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--seed", type=int, default=5)
    chosen = parser.parse_args()
    size, count = ((360, 240), 8) if chosen.small else ((600, 400), 14)
    rows = ["| setup | light of samples | noise of samples | noise of the stack |", "|---|---|---|---|"]
    print("\n".join(rows), flush=True)
    worst = dict.fromkeys(NAMES, 0.0)
    for setup in SETUPS:
        with tempfile.TemporaryDirectory() as folder:
            found = measured(setup, size, count, chosen.seed, Path(folder))
        for kind in NAMES if setup.counts else ():
            worst[kind] = max(worst[kind], *(abs(found[f"{kind} {c}"] - 1) for c in COLOURS))
        cells = [", ".join(f"{found[f'{kind} {c}']:.3f}" for c in COLOURS) for kind in NAMES]
        rows.append(f"| {setup.name} | {' | '.join(cells)} |")
        print(rows[-1], flush=True)
    told = [f"{name} {100 * worst[kind]:.1f} %" for kind, name in NAMES.items()]
    rows += ["", f"Largest departure, but for the last two setups: {', '.join(told)}."]
    print(rows[-1])
    if chosen.write:
        write_table(PAGE, "whatif", rows)


if __name__ == "__main__":
    main()
