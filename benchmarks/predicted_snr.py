"""Signal over noise that `fourlight compare` predicts against that of simulated stacks, over setups drawn at random.

Usage: python benchmarks/predicted_snr.py [--setups N] [--seed N] [--write]

Each setup has a camera with dyes or without, one to four filters with shares of the time, optics, overheads, an order,
and a sky in two parts of the hours, one of them with a Moon. Its subs are those that the clock leaves room for. They
are simulated one by one, with an even target and without; the stack of a channel is the mean of the subs of one part,
less the pattern of the dark current as it is.
Kinds of light are told apart in every cell of 2 x 2 pixels by least squares, with variances as they are measured; their
signal over noise is the mean over the scatter between cells. Curves of sensors and filters are the same on both sides
(the simulator adds them up in steps ten times as wide); counting, noise of light, reading and rounding are its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from setups import told

from fourlight.pipeline.setups import loads as setup_from
from fourlight.sensor.response import MONO
from fourlight.sensor.rig import DARK_SKY_K, MOONLIT_SKY_K
from fourlight.simulate.scene import loads as scene_from
from fourlight.simulate.through import Exposed, light_behind, of_one_channel, one_light, world_through
from fourlight.stages.compare_light import Counted, Parts, kinds_of, light_of
from fourlight.stages.compare_setup import Setup, taken
from fourlight.stages.compare_snr import Course, Patch, course
from fourlight.stages.plan_light import Target

Float64 = npt.NDArray[np.float64]

PAGE = Path(__file__).parents[1] / "docs" / "compare.md"
SIZE = (320, 240)
SURE = 0.015
"""Error of the simulated value, as a part, above which it says nothing within 5 %."""
LEAST = 0.35
"""Signal over noise of a cell that some kind of light must have."""
SENSORS = ("bsi-8mp", "bsi-5mp", "slr-16mp")
WHEELS = (
    ("halpha-7nm", "oiii-7nm"), ("halpha-7nm", "oiii-7nm", "sii-7nm"), ("wheel-red", "wheel-green", "wheel-blue"),
    ("luminance", "wheel-red", "wheel-green", "wheel-blue"),
)  # fmt: skip
SINGLE = ("dual-7nm", "tri-band", "dual-wide", "uv-ir-cut")

SCENE = """
seed = {seed}
[object]
kind = "{kind}"
size = 500.0
halpha_rayleigh = {halpha}
oiii_ratio = {oiii}
nii_ratio = 0.3
sii_ratio = {sii}
reflection_mag = {mag}
reflection_temperature_k = {kelvin}
[stars]
count = 0
cluster_count = 0
[optics]
vignetting = 0.0
dust_motes = 0
aperture_mm = {aperture}
focal_mm = {focal}
[camera]
width_px = {width}
height_px = {height}
pixel_um = {pixel}
gain_e_per_adu = {gain}
read_noise_e = {read}
full_well_e = 1e6
dark_e_per_s = {dark}
hot_share = 0.0
dead_share = 0.0
glow_e_per_s = 0.0
column_offset_e = 0.0
prnu = 0.0
cosmic_rays_per_cm2_s = 0.0
[[nights]]
count = 1
gradient = 0.0
dither_px = 0.0
"""


@dataclass(frozen=True)
class Drawn:
    """One draw."""

    setup: Setup
    target: Target
    hours: float
    parts: Parts
    words: str
    """Camera and filters, for the table."""

    @property
    def kinds(self) -> tuple[str, ...]:
        """Kinds of light that are told apart."""
        return kinds_of(self.target)


def drawn(rng: np.random.Generator) -> tuple[Drawn, list[Counted], Course]:
    """A setup whose target a cell tells in some kind of light, with what is predicted for it."""
    while True:
        one = _any(rng)
        light = light_of(one.setup, one.target, one.kinds)
        pixel = light[0].glass.rig.pixel_arcsec
        patch = Patch(one.kinds, 4 * pixel**2, 20.0, 3.0)
        found = course(one.setup, light, one.parts, patch, one.hours, np.array([one.hours * 3600]))
        if max(found.snr[kind][-1] for kind in one.kinds) > LEAST:
            return one, light, found


def _any(rng: np.random.Generator) -> Drawn:
    mono = bool(rng.random() < 0.6)
    chosen = WHEELS[rng.integers(len(WHEELS))] if mono else (str(rng.choice(SINGLE)),)
    text = _setup_text(rng, chosen, mono=mono)
    hours = rng.uniform(1.0, 2.5) if mono else rng.uniform(0.5, 1.2)
    target = _target(rng, chosen)
    setup = setup_from(text, "drawn", Path())
    kind, sensor = "mono" if mono else "colour", setup.glass[0].rig.response.name
    return Drawn(setup, target, hours, _skies(rng, hours), f"{sensor}, {kind}: {', '.join(chosen)}")


def _setup_text(rng: np.random.Generator, chosen: tuple[str, ...], *, mono: bool) -> str:
    """A setup as a user writes it."""
    sub, ratio, aperture = rng.uniform(60, 400), rng.uniform(5, 8), rng.uniform(50, 200)
    sensor = str(rng.choice(SENSORS[: 2 if mono else 3]))
    text = f"""
sub_s = {sub}
{f"round_min = {rng.uniform(10, 40)}" if rng.random() < 0.5 else ""}
[camera]
response = "{sensor}"
mono = {str(mono).lower()}
dyes_pass = {rng.uniform(0.8, 1.0)}
pixel_um = {rng.uniform(2.9, 6.0)}
read_noise_e = {rng.uniform(1.0, 5.0)}
gain_e_per_adu = {rng.uniform(0.3, 1.5)}
peak_efficiency = 0.8
dark_e_per_s = {rng.uniform(0.0, 0.02)}
[optics]
focal_mm = {aperture * ratio}
aperture_mm = {aperture}
obstruction = {rng.choice([0.0, 0.35])}
transmission = {rng.uniform(0.75, 0.95)}
[overheads]
change_s = {rng.uniform(0, 40)}
refocus_s = {rng.uniform(0, 200)}
download_s = {rng.uniform(0, 10)}
dither_s = {rng.uniform(0, 20)}
flats_within = false
"""
    for name in chosen:
        text += f'\n[[filters]]\nfilter = "{name}"\nshare = {rng.uniform(0.7, 2.0)}\n'
        text += f"transmission = {rng.uniform(0.85, 1.0)}\n"
    return text


def _target(rng: np.random.Generator, chosen: tuple[str, ...]) -> Target:
    """Lines behind filters for them, else a continuum."""
    if chosen[0] in ("uv-ir-cut", "wheel-red", "luminance"):
        return Target("continuum", rng.uniform(19.0, 22.0), rng.uniform(3500, 12000))
    names = ("halpha", "oiii", "sii") if "sii-7nm" in chosen else ("halpha", "oiii")
    return Target("lines", rayleigh={name: 10 ** rng.uniform(1.5, 3.0) for name in names})


def _skies(rng: np.random.Generator, hours: float) -> Parts:
    """Half of the hours without the Moon, half with it."""
    dark, moon = rng.uniform(18.5, 21.8), rng.uniform(18.5, 21.0)
    return Parts(
        np.array([0.5, 1.0]) * hours * 3600, np.full(2, dark), np.array([np.inf, moon]),
        rng.uniform(1.0, 1.8, 2), 0.2,
    )  # fmt: skip


def simulated(one: Drawn, light: list[Counted], seed: int) -> dict[str, tuple[float, float]]:
    """Signal over noise of kinds of light in a cell, with its error."""
    found = taken(one.setup, one.hours)
    cells, columns = [], []
    for k, seen in enumerate(light):
        ends = found.ends_s[found.which == k]
        part = np.minimum(np.searchsorted(one.parts.ends_s, ends - seen.glass.sub_s / 2), 1)
        for p in (0, 1):
            count = int((part == p).sum())
            if count:
                cells += _stacks(one, seen, p, count, seed)
                columns += list(seen.columns * float(one.parts.passed[p]))
    values, matrix = np.array(cells), np.array(columns)
    weight = 1 / values.var(axis=(1, 2))
    solve = np.linalg.pinv((matrix.T * weight) @ matrix) @ (matrix.T * weight)
    found_light = np.tensordot(solve, values, 1)
    return {kind: _measured(found_light[m]) for m, kind in enumerate(one.kinds)}


def _measured(light: Float64) -> tuple[float, float]:
    """Mean over scatter, and its error; half of the cells' noise comes from the sky that is taken away."""
    snr, count = float(light.mean() / light.std()), light.size
    return snr, (2 / count + snr**2 / (2 * count)) ** 0.5


def _stacks(one: Drawn, seen: Counted, p: int, count: int, seed: int) -> list[Float64]:
    """Mean of the subs of a part of the hours, by channel in cells of 2 x 2 pixels, less that of as many without."""
    rig, parts = seen.glass.rig, one.parts
    mono = rig.channels == MONO
    planes = []
    for bright in (True, False):
        scene = scene_from(_scene(one, seen, seed + 2 * p + bright, bright=bright))
        world, plan = world_through(scene, light_behind(rig))
        sky = world.light.continuum(float(parts.dark_mag[p]), DARK_SKY_K)
        if np.isfinite(parts.moonlit_mag[p]):
            sky = sky + world.light.continuum(float(parts.moonlit_mag[p]), MOONLIT_SKY_K)
        exposed = Exposed(count, seen.glass.sub_s, float(parts.passed[p]), sky * scene.pixel_arcsec**2)
        world = of_one_channel(world, 0) if mono else world
        stack = np.mean([one_light(world, plan, exposed, n + 1) for n in range(count)], axis=0)
        stack -= world.detector.dark_e(exposed.sub_s, scene.camera.temperature_c)
        planes.append(_cells(stack / exposed.sub_s, mono=mono))
    return [with_it - without.mean() for with_it, without in zip(*planes, strict=True)]


def _cells(stack: Float64, *, mono: bool) -> list[Float64]:
    corners = [stack[y::2, x::2] for y in (0, 1) for x in (0, 1)]
    return [np.mean(corners, axis=0)] if mono else [corners[0], (corners[1] + corners[2]) / 2, corners[3]]


def _scene(one: Drawn, seen: Counted, seed: int, *, bright: bool) -> str:
    rig, target = seen.glass.rig, one.target
    halpha = target.rayleigh.get("halpha", 0.0)
    return SCENE.format(
        seed=seed, kind="disc" if bright else "none", halpha=halpha,
        oiii=target.rayleigh["oiii"] / halpha if halpha else 0.0,
        sii=target.rayleigh.get("sii", 0.0) / halpha if halpha else 0.0, mag=target.mag_arcsec2 or 60.0,
        kelvin=target.temperature_k, aperture=rig.optics.aperture_mm, focal=rig.optics.focal_mm, width=SIZE[0],
        height=SIZE[1], pixel=rig.chip.pixel_um, gain=rig.chip.gain_e_per_adu, read=rig.chip.read_noise_e,
        dark=rig.chip.dark_e_per_s,
    )  # fmt: skip


def table(count: int, seed: int) -> tuple[str, float]:
    """Rows of setups with what was predicted over what was simulated, and the largest departure."""
    rng = np.random.default_rng(seed)
    head = [
        "camera and filters",
        "optics",
        "hours",
        "subs",
        "predicted over simulated",
        "predicted SNR of a cell",
    ]
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    worst, told = 0.0, 0
    for k in range(count):
        one, light, found = drawn(rng)
        got = simulated(one, light, 100_000 * seed + 100 * k)
        sure = {kind: value for kind, (value, error) in got.items() if error < SURE * abs(value)}
        ratios = {kind: float(found.snr[kind][-1]) / value for kind, value in sure.items()}
        worst = max([worst, *(abs(ratio - 1) for ratio in ratios.values())])
        told += len(ratios)
        optics = light[0].glass.rig.optics
        lines.append("| " + " | ".join([
            one.words, f"{optics.aperture_mm:.0f} mm f/{optics.f_ratio:.1f}", f"{one.hours:.1f}",
            str(len(found.taken.ends_s)), ", ".join(f"{kind} {ratio:.3f}" for kind, ratio in ratios.items()),
            ", ".join(f"{found.snr[kind][-1]:.2g}" for kind in ratios),
        ]) + " |")  # fmt: skip
        print(lines[-1], flush=True)
    left_out = f"A kind of light that the simulated subs tell to no better than {100 * SURE:g} % is left out."
    lines += ["", f"Largest departure: {100 * worst:.1f} % of {told} values. {left_out}"]
    return "\n".join(lines), worst


if __name__ == "__main__":
    told(__doc__, table, "predicted", PAGE, 3)
