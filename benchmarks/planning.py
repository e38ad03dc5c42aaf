"""Signal over noise as it is planned against that of simulated lights, over setups drawn at random.

Usage: python benchmarks/planning.py [--setups N] [--seed N] [--write]

Each setup has a sensor, filter, optics, sky, Moon, altitude, length of subs and an even target. Lights with and
without the target are simulated; the signal of a colour is the difference of their means, its noise the scatter of
differences between lights with the target. Lines are told apart in every cell of 2 x 2 pixels by least squares.
Planned is what `fourlight sub` tells, for one sub and one cell. The curves of sensors and filters and the model of the
sky are the same on both sides; counting, noise of light, reading and rounding are the simulator's own. Its beam is not
converging, so that narrow filters stand at f/5 or slower.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
from setups import told

from fourlight.core.airmass import air_mass, lifted_deg
from fourlight.core.moonlight import dark_nl, magnitude, moon_nl
from fourlight.sensor.chip import Chip
from fourlight.sensor.filters import named_filter
from fourlight.sensor.optics import Optics
from fourlight.sensor.rig import Rig
from fourlight.sensor.sensors import sensor
from fourlight.simulate.exposure import light_frame
from fourlight.simulate.light import throughput
from fourlight.simulate.plan import plan_lights
from fourlight.simulate.scene import Scene, loads
from fourlight.simulate.world import build_world
from fourlight.stages.plan_light import Target, snr_per_sub

Float64 = npt.NDArray[np.float64]

PAGE = Path(__file__).parents[1] / "docs" / "planning.md"
SIZE = (480, 320)
LIGHTS = 16
"""With the target, and as many without."""
EXTINCTION = 0.2
SURE = 0.015
"""Error of the simulated value, as a part, above which it says nothing within 5 %."""
LEAST = 0.2
"""Signal over noise of a cell in one light that a setup must have."""
PLANES = {"red": [(0, 0)], "green": [(0, 1), (1, 0)], "blue": [(1, 1)]}
"""Places of RGGB."""

SCENE = """
seed = {seed}
exposure_s = {sub_s}
[object]
kind = "{kind}"
size = 500.0
halpha_rayleigh = {halpha}
oiii_ratio = {oiii_ratio}
nii_ratio = 0.3
sii_ratio = 0.0
reflection_mag = {mag}
reflection_temperature_k = {kelvin}
[stars]
count = 0
cluster_count = 0
[optics]
aperture_mm = {aperture}
focal_mm = {focal}
transmission = 0.85
vignetting = 0.0
dust_motes = 0
[filter]
name = "{filter}"
transmission = 1.0
[camera]
sensor = "{sensor}"
peak_qe = 0.8
width_px = {width}
height_px = {height}
pixel_um = {pixel}
gain_e_per_adu = {gain}
read_noise_e = {read}
full_well_e = 50000.0
dark_e_per_s = {dark}
hot_share = 0.0
glow_e_per_s = 0.0
column_offset_e = 0.0
cosmic_rays_per_cm2_s = 0.0
[[nights]]
count = {count}
sky_mag = {sky}
zenith_deg = {zenith}
extinction_mag = {extinction}
{moon}
gradient = 0.0
dither_px = 0.0
transparency = {passed}
transparency_scatter = 0.0
"""


@dataclass(frozen=True)
class Setup:
    """One draw."""

    sensor: str
    filter: str
    focal: float
    aperture: float
    pixel: float
    read: float
    gain: float
    dark: float
    sub_s: float
    sky: float
    zenith: float
    moon: tuple[float, float, float] | None
    """Phase angle, zenith distance, angle from the target."""
    target: Target

    @property
    def rig(self) -> Rig:
        """What counts."""
        chip = Chip(
            self.pixel, *SIZE, self.read, 50_000.0, self.gain, peak_efficiency=0.8, dark_e_per_s=self.dark
        )
        return Rig(sensor(self.sensor), named_filter(self.filter), Optics(self.focal, self.aperture), chip)

    @property
    def passed(self) -> float:
        """Part of the target's light that air lets through."""
        return float(10 ** (-0.4 * EXTINCTION * air_mass(lifted_deg(90 - self.zenith))))

    @property
    def sky_e_s(self) -> Float64:
        """Of a pixel of each colour."""
        dark = magnitude(dark_nl(self.sky, self.zenith, EXTINCTION))
        if self.moon is None:
            return self.rig.sky(dark)
        phase, moon_zenith, apart = self.moon
        return self.rig.sky(dark, magnitude(moon_nl(phase, moon_zenith, self.zenith, apart, EXTINCTION)))


def drawn(rng: np.random.Generator) -> Setup:
    """A setup whose target the simulated lights can tell in some colour."""
    while True:
        setup = _any(rng)
        if planned(setup)["all colours"] > LEAST:
            return setup


def _any(rng: np.random.Generator) -> Setup:
    """A setup of parts as they are sold, under any sky, whose target is fainter than the sky or as bright."""
    name = str(
        rng.choice(["luminance", "uv-ir-cut", "dual-7nm", "dual-wide", "tri-band", "halpha-7nm", "quad-band"])
    )
    ratio = rng.uniform(5.0, 9.0)
    aperture = rng.uniform(50.0, 250.0)
    moon = None if rng.random() < 0.5 else (rng.uniform(0, 120), rng.uniform(20, 75), rng.uniform(30, 120))
    lines = name not in ("luminance", "uv-ir-cut")
    target = (
        Target("lines", rayleigh={"halpha": 10 ** rng.uniform(1.3, 2.7)} | (
            {} if name == "halpha-7nm" else {"oiii": 10 ** rng.uniform(1.3, 2.7)}))
        if lines
        else Target("continuum", rng.uniform(19.5, 23.0), rng.uniform(3500, 12000))
    )  # fmt: skip
    made = Setup(
        str(rng.choice(["bsi-8mp", "bsi-5mp", "slr-16mp"])), name, aperture * ratio, aperture, rng.uniform(2.4, 6.0),
        rng.uniform(0.8, 5.0), rng.uniform(0.1, 1.5), rng.uniform(0.0, 0.02), 10 ** rng.uniform(1.0, 2.6),
        rng.uniform(18.5, 21.8), rng.uniform(0, 60), moon, target,
    )  # fmt: skip
    full = made.rig.chip.full_e / 4 / float(made.sky_e_s.max())
    return replace(made, sub_s=min(made.sub_s, full))


def scene_of(setup: Setup, seed: int, *, with_target: bool) -> Scene:
    """The same as a scene."""
    lines = setup.target.rayleigh
    halpha = lines.get("halpha", 0.0)
    moon = ""
    if setup.moon is not None:
        phase, zenith, apart = setup.moon
        moon = f"moon_phase_deg = {phase}\nmoon_zenith_deg = {zenith}\nmoon_separation_deg = {apart}"
    return loads(
        SCENE.format(
            seed=seed, sub_s=setup.sub_s, kind="disc" if with_target else "none", halpha=halpha,
            oiii_ratio=lines.get("oiii", 0.0) / halpha if halpha else 0.0, mag=setup.target.mag_arcsec2 or 60.0,
            kelvin=setup.target.temperature_k, aperture=setup.aperture, focal=setup.focal, filter=setup.filter,
            sensor=setup.sensor, width=SIZE[0], height=SIZE[1], pixel=setup.pixel, gain=setup.gain, read=setup.read,
            dark=setup.dark, count=LIGHTS, sky=setup.sky, zenith=setup.zenith, extinction=EXTINCTION, moon=moon,
            passed=setup.passed,
        )
    )  # fmt: skip


def lights(scene: Scene) -> Float64:
    """(n, ny, nx) lights in electrons."""
    plans = plan_lights(scene, throughput(scene))
    world = build_world(scene, plans)
    camera = scene.camera
    return np.array(
        [(light_frame(world, plan) - camera.offset_adu) * camera.gain_e_per_adu for plan in plans]
    )


def simulated(setup: Setup, seed: int) -> dict[str, tuple[float, float]]:
    """Signal over noise of a cell of 2 x 2 pixels in one light, with its error: of colours, and of lines."""
    bright = lights(scene_of(setup, seed, with_target=True))
    empty = lights(scene_of(setup, seed + 1, with_target=False))
    cells = {}
    for name, places in PLANES.items():
        both = [np.mean([each[:, y::2, x::2] for y, x in places], axis=0) for each in (bright, empty)]
        cells[name] = (both[0], float(both[1].mean()))
    found = {name: _measured(each - sky) for name, (each, sky) in cells.items()}
    if setup.target.rayleigh:
        names = tuple(setup.target.rayleigh)
        columns = setup.rig.line_rates(dict(setup.target.rayleigh)) * setup.passed * setup.sub_s
        light = np.array([each - sky for each, sky in cells.values()])
        weight = 1 / np.array([_variance(each) for each, _ in cells.values()])
        solve = np.linalg.inv(columns.T * weight @ columns) @ (columns.T * weight)
        for name, each in zip(names, np.tensordot(solve, light, 1), strict=True):
            found[name] = _measured(each)
    return found


def _variance(each: Float64) -> float:
    """Of a sample, from differences between lights: what is fixed in all of them falls out."""
    return float(np.mean(np.diff(each, axis=0)[::2] ** 2) / 2)


def _measured(each: Float64) -> tuple[float, float]:
    """Mean over scatter, and its error from the noise of both means."""
    noise = _variance(each) ** 0.5
    count = each.size
    snr = float(each.mean()) / noise
    return snr, (2 / count + snr**2 / count) ** 0.5


def planned(setup: Setup) -> dict[str, float]:
    """The same as planned."""
    rig = setup.rig
    return snr_per_sub(
        rig, setup.target, setup.sky_e_s, setup.sub_s, 4 * rig.pixel_arcsec**2, passed=setup.passed
    )


def table(count: int, seed: int) -> tuple[str, float]:
    """Rows of setups with what was planned over what was simulated, and the largest departure."""
    rng = np.random.default_rng(seed)
    head = ["sensor", "filter", "optics", "sky", "Moon", "sub", "planned over simulated", "planned SNR"]
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    worst = 0.0
    for k in range(count):
        setup = drawn(rng)
        wanted, got = planned(setup), simulated(setup, 1000 * seed + 2 * k)
        sure = {name: (value, error) for name, (value, error) in got.items() if error < SURE * abs(value)}
        ratios = {name: wanted[name] / value for name, (value, _) in sure.items()}
        worst = max([worst, *(abs(ratio - 1) for ratio in ratios.values())])
        lines.append("| " + " | ".join(_cells(setup, ratios, wanted)) + " |")
        print(lines[-1], flush=True)
    said = f"A colour or line that the simulated lights tell to no better than {100 * SURE:g} % is left out."
    lines += ["", f"Largest departure: {100 * worst:.1f} %. {said}"]
    return "\n".join(lines), worst


def _cells(setup: Setup, ratios: dict[str, float], wanted: dict[str, float]) -> list[str]:
    moon = (
        "none"
        if setup.moon is None
        else f"{50 * (1 + np.cos(np.radians(setup.moon[0]))):.0f} %, {setup.moon[2]:.0f}°"
    )
    return [
        setup.sensor, setup.filter, f"{setup.aperture:.0f} mm f/{setup.focal / setup.aperture:.1f}", f"{setup.sky:.1f}",
        moon, f"{setup.sub_s:.0f} s", ", ".join(f"{name} {ratio:.3f}" for name, ratio in ratios.items()),
        ", ".join(f"{wanted[name]:.2g}" for name in ratios),
    ]  # fmt: skip


if __name__ == "__main__":
    told(__doc__, table, "planning", PAGE, 5)
