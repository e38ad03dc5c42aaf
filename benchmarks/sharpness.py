"""Measure stars and noise of both ways to integrate against the truth, for few and many frames.

Usage: python benchmarks/sharpness.py [--write] [--frames N ...] [--scale ARCSEC ...] [--seed N]

A star field is simulated with the point spread of every frame alike, so that the expected light of the reference
frame is what a stack should show. Star widths are Gaussian fits, on the stack and on the truth alike. The limit of
the noise is that of samples shared out evenly over the pixels: sigma of a sample over the square root of the samples
per pixel. The fringe is what is left of a star in R (B) less G, each over its own light, once the same of the truth
is taken off: rms over 7 x 7 pixels, over the peak of G.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from accuracy import blocks, written
from astropy.io import fits
from scipy.ndimage import maximum_filter
from scipy.optimize import least_squares

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.exposure import star_electrons
from fourlight.simulate.light import throughput
from fourlight.simulate.plan import plan_lights
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import Scene, loads
from fourlight.simulate.world import build_world

Float64 = npt.NDArray[np.float64]

METHODS = ("drizzle", "least-squares")
SAMPLES = {"R": ("R",), "G": ("G1", "G2"), "B": ("B",)}
PITCH_UM = 3.76
STARS = 60
"""Brightest stars whose widths, rings and fringes count; flux is a mean over all stars, by their noise and by
`STRAY`."""
GAIN = "read.gain_e_per_adu=4.0"
"""That of the scene: the error of measuring it is not the integrator's."""
STRAY = 0.03
"""Error of the light of single stars besides noise: few samples meet sharp stars."""

SCENE = """
seed = {seed}
exposure_s = 120.0
reference_seeing_arcsec = 2.6
[object]
kind = "none"
[stars]
count = 500
brightest_mag = {brightest}
faintest_mag = 16.0
cluster_count = 0
[optics]
focal_mm = {focal:.2f}
dust_motes = 0
vignetting = 0.0
[camera]
width_px = 600
height_px = 420
full_well_e = 4e6
gain_e_per_adu = 4.0
[calibration]
darks = 4
flats = 6
bias = 4
[[nights]]
count = {count}
seeing_arcsec = 2.6
seeing_scatter = 0.0
gradient = 0.02
"""


def scene_of(count: int, scale_arcsec: float, seed: int = 3) -> Scene:
    """A star field; brighter where a pixel sees less sky."""
    focal = 206.264806 * PITCH_UM / scale_arcsec
    brightest = 10.8 - 2.5 * np.log10(max(2.9 / scale_arcsec, 1.0))
    return loads(SCENE.format(seed=seed, count=count, focal=focal, brightest=f"{brightest:.2f}"))


def expected(scene: Scene, reference: Path) -> dict[str, Float64]:
    """Electrons of the stars in the reference frame, every pixel in every plane."""
    plans = plan_lights(scene, throughput(scene))
    world = build_world(scene, plans)
    plan = next(p for p in plans if Path(p.name).parts[-2:] == reference.parts[-2:])
    out = {}
    for colour, plane in enumerate("RGB"):
        image = np.zeros((scene.camera.height_px, scene.camera.width_px))
        cell = np.full((2, 2), colour, dtype=np.int64)
        every = replace(world, detector=replace(world.detector, cell=cell))
        star_electrons(every, plan.matrix, plan.shapes, plan.exposure_s * plan.transparency, image)
        out[plane] = image
    return out


def width_of(image: Float64, y: int, x: int, reach: int) -> float:
    """Sigma of a Gaussian fit around a star."""
    part = image[y - reach : y + reach + 1, x - reach : x + reach + 1]
    v, u = np.mgrid[-reach : reach + 1, -reach : reach + 1]

    def apart(p: Float64) -> Float64:
        return (p[0] * np.exp(-((u - p[1]) ** 2 + (v - p[2]) ** 2) / (2 * p[3] ** 2)) + p[4] - part).ravel()

    return abs(float(least_squares(apart, [part.max(), 0.0, 0.0, 1.0, 0.0]).x[3]))


def level_off(image: Float64, truth: Float64, dark: npt.NDArray[np.bool_]) -> Float64:
    """The image less its sky, a second-order surface through what the truth says is dark."""
    ny, nx = image.shape
    v, u = np.mgrid[-0.5 : 0.5 : ny * 1j, -0.5 : 0.5 : nx * 1j]  # type: ignore[misc]
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)
    use = dark & np.isfinite(image)
    fit = np.linalg.lstsq(terms[use], (image - truth)[use], rcond=None)[0]
    return image - terms @ fit


def bright_stars(truth: dict[str, Float64], reach: int) -> list[tuple[int, int]]:
    """Stars that are the brightest thing around, brightest first, away from the edges."""
    green = truth["G"]
    peak = (green == maximum_filter(green, 4 * reach + 1)) & (green > 300)
    peak[: 3 * reach], peak[-3 * reach :], peak[:, : 3 * reach], peak[:, -3 * reach :] = (False,) * 4
    found = sorted(zip(*np.nonzero(peak), strict=True), key=lambda place: -green[place])
    return [(int(y), int(x)) for y, x in found]


def measure(stack: Any, truth: dict[str, Float64], summary: dict[str, Any]) -> dict[str, dict[str, float]]:
    """Figures per plane."""
    dark = maximum_filter(sum(truth.values()), 13) < 0.5
    dark[:16] = dark[-16:] = dark[:, :16] = dark[:, -16:] = False
    images, out = {}, {}
    scale = summary["scale_arcsec_px"]
    reach = max(4, round(7 / scale))
    stars = bright_stars(truth, reach)
    frames = summary["frames"]
    for plane, names in SAMPLES.items():
        image = level_off(stack[plane].data.astype(float), truth[plane], dark)
        images[plane] = image
        variance = stack[f"VAR_{plane}"].data.astype(float)
        sample = np.mean([(f["noise"][n] / f["transparency"][n]) ** 2 for f in frames for n in names])
        limit = np.sqrt(sample / (len(frames) * len(names) / 4))
        mean, claimed = blocks(np.where(dark, image, np.nan), 8), blocks(np.where(dark, variance, np.nan), 8)
        pulls = (mean / np.sqrt(claimed) * 8)[np.isfinite(mean)]
        light, error, width, ring = of_stars(image, truth[plane], stars, reach, float(np.nanstd(image[dark])))
        out[plane] = {
            "fwhm": width,
            "noise": float(np.nanstd(image[dark]) / limit),
            "wide": float(8 * np.nanstd(mean) / limit),
            "blocks": float(pulls.std()),
            "flux": light - 1,
            "flux error": error,
            "ring": ring,
            "holes": float(np.isnan(image[16:-16, 16:-16]).mean()),
        }  # fmt: skip
    for plane in "RB":
        out[plane]["fringe"] = fringe(images, truth, plane, stars[:STARS])
    return out


def of_stars(
    image: Float64, truth: Float64, stars: list[tuple[int, int]], reach: int, sigma: float
) -> tuple[float, float, float, float]:
    """Light with its error and width over those of the truth, and the darkest ring over the brightest true pixel."""
    light, weight, width, ring = [], [], [], []
    away = np.hypot(*np.mgrid[-2 * reach : 2 * reach + 1, -2 * reach : 2 * reach + 1])
    near = away < 1.5 * reach
    for k, (y, x) in enumerate(stars):
        part = np.s_[y - 2 * reach : y + 2 * reach + 1, x - 2 * reach : x + 2 * reach + 1]
        ours, true = image[part], truth[part]
        if not np.isfinite(ours).all():
            continue
        light.append(ours[near].sum() / true[near].sum())
        weight.append(1 / (near.sum() * (sigma / true[near].sum()) ** 2 + STRAY**2))
        if k < STARS:
            width.append(width_of(image, y, x, reach) / width_of(truth, y, x, reach))
            around = [(ours - true)[(away >= r) & (away < r + 1)].mean() for r in range(2, reach + 3)]
            ring.append(min(around) / true.max())
    mean = float(np.average(light, weights=weight))
    apart = np.average((np.array(light) - mean) ** 2, weights=weight)
    error = float(np.sqrt(apart * np.square(weight).sum()) / np.sum(weight))
    return mean, error, float(np.median(width)), float(np.median(ring))


def fringe(
    images: dict[str, Float64], truth: dict[str, Float64], plane: str, stars: list[tuple[int, int]]
) -> float:
    """Colour fringe of a plane against green, median over stars, share of the peak."""
    found = []
    for y, x in stars:
        part = np.s_[y - 3 : y + 4, x - 3 : x + 4]
        one, other, true, green = images[plane][part], images["G"][part], truth[plane][part], truth["G"][part]
        apart = one / one.sum() - other / other.sum() - true / true.sum() + green / green.sum()
        found.append(np.sqrt(np.mean(apart**2)) / (green / green.sum()).max())
    return float(np.nanmedian(found))


def rows(count: int, scale: float, seed: int = 3) -> list[str]:
    """Lines of the table: both methods at one number of frames and one scale."""
    scene, lines = scene_of(count, scale, seed), []
    with tempfile.TemporaryDirectory() as folder:
        nights = Path(folder) / "nights"
        simulate(scene, nights)
        for method in METHODS:
            out = Path(folder) / method
            summary = run([nights], out, with_settings(Recipe(), [f"integrate.method={method}", GAIN]))
            still = [[1, 0, 0], [0, 1, 0]]
            reference = next(f["path"] for f in summary["frames"] if np.allclose(f["matrix"], still))
            with fits.open(out / "stack.fits") as stack:
                found = measure(stack, expected(scene, Path(reference)), summary)
            lines.append(_line(count, scale, method, found))
            print(lines[-1], flush=True)
    return lines


def _line(count: int, scale: float, method: str, found: dict[str, dict[str, float]]) -> str:
    def each(key: str, form: str, factor: float = 1.0, planes: str = "RGB") -> str:
        return " / ".join(format(factor * found[plane][key], form) for plane in planes)

    cells = [
        f'{scale}"', str(count), method, each("fwhm", ".2f"), each("noise", ".2f"), each("wide", ".2f"),
        each("blocks", ".2f"),
        each("fringe", ".1f", 100, "RB"), each("flux", "+.2f", 100), each("flux error", ".2f", 100),
        each("ring", "+.2f", 100),
        each("holes", ".1f", 100),
    ]  # fmt: skip
    return "| " + " | ".join(cells) + " |"


HEADS = (
    "scale", "frames", "method", "FWHM over truth", "noise over limit", "the same, 8 x 8",
    "8 x 8 over claimed", "fringe R / B, %",
    "flux, %", "its error", "deepest ring, %", "holes, %",
)  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, nargs="*", default=[2, 5, 10, 20, 40])
    parser.add_argument("--scale", type=float, nargs="*", default=[2.9, 1.0])
    parser.add_argument("--seed", type=int, default=3, help="of the field")
    parser.add_argument("--write", action="store_true", help="put the table into docs/accuracy.md")
    chosen = parser.parse_args()
    lines = [
        line for scale in chosen.scale for count in chosen.frames for line in rows(count, scale, chosen.seed)
    ]
    if chosen.write:
        head = ["| " + " | ".join(HEADS) + " |", "|---" * len(HEADS) + "|"]
        written("sharpness", "\n".join(head + lines))


if __name__ == "__main__":
    main()
