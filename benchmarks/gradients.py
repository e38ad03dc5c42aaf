"""Measure what taking off the light of the sky does to the object: against the truth of simulated nights.

Usage: python benchmarks/gradients.py [--write] [--seeds N ...] [--keep DIR]

Stacks under light pollution and the Moon are gathered and flattened as for a picture. What is left beside the true
light of object and stars should be flat (its plane is the tilt that remains) and should not follow the object (light
that went with the sky). The sky of the stack is known from the truth, so noise counts for nothing here.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from accuracy import written
from finish_sets import COLOURS, COMMON, Planes, read, stacked

from fourlight.pipeline.star_table import read_stars
from fourlight.recipe_finish import Gradient
from fourlight.simulate.scene import loads
from fourlight.stages.canvas import Canvas
from fourlight.stages.coverage import gather
from fourlight.stages.gradient import take_off_gradient
from fourlight.stages.showing import stars_on, stars_within

Float32 = npt.NDArray[np.float32]
Bool = npt.NDArray[np.bool_]

PAGE = Path(__file__).parent.parent / "docs" / "finish.md"
BRIGHTEST, DARKEST = 0.5, 0.1
"""Part of the object's bright parts beyond which are its brightest contours; part of the field that is its darkest."""
STARS_E = 0.3
"""Star light over the noise of a pixel from which a pixel does not count."""
KINDS = {
    "nebula, Moon and gradient": """
[object]
seed = {seed}
halpha_rayleigh = 900.0
size = 0.7
[[nights]]
count = 12
[[nights]]
count = 12
start_utc = "2031-08-27T23:30:00"
moon_phase_deg = 60.0
gradient = 0.35
""",
    "bright nebula, gradient": """
[object]
seed = {seed}
halpha_rayleigh = 4000.0
size = 0.6
[[nights]]
count = 20
gradient = 0.3
gradient_angle_deg = 200.0
""",
    "dust and reflection, bright sky with gradient": """
[object]
seed = {seed}
halpha_rayleigh = 60.0
reflection_mag = 20.8
starlight_mag = 21.8
dust_mag = 6.0
size = 0.9
[[nights]]
count = 24
sky_mag = 20.0
gradient = 0.4
""",
    "galaxy, gradient": """
[object]
kind = "galaxy"
seed = {seed}
size = 0.7
halpha_rayleigh = 150.0
reflection_mag = 20.3
starlight_mag = 18.3
dust_mag = 1.6
[[nights]]
count = 20
gradient = 0.4
gradient_angle_deg = -40.0
""",
}


@dataclass(frozen=True, slots=True)
class Found:
    """What is off, per colour R, G, B."""

    tilt: list[float]
    """Over the noise of a pixel."""
    kept: list[float]
    """Part of the light of the object."""
    pull: list[float]
    """Of the shape of the surface, rms, over the standard error that was told."""
    empty: float
    """Part of the field that was taken for empty sky."""


def errors(
    stack: tuple[Planes, Planes, tuple[Planes, Planes]], out: Path, light: Planes, alone: Planes
) -> Found:
    """What the surfaces that were taken off differ from the sky."""
    planes, variances, halves = stack
    canvas = Canvas(threads=2)
    sheet, frame = gather(planes, variances, halves, [], canvas)
    before = [image.copy() for image in sheet.image]
    field = stars_on(stars_within(read_stars(out), frame))
    told = take_off_gradient(sheet, field, Gradient(), canvas).facts
    part = (slice(frame[0], frame[1]), slice(frame[2], frame[3]))
    found = Found([], [], [], told["empty_share"])
    for c, image, whole, variance in zip(COLOURS, sheet.image, before, sheet.variance, strict=True):
        sigma = float(np.sqrt(np.median(variance)))
        true = alone[c][part]
        use = sheet.covered & (light[c][part] - true < STARS_E * sigma) & np.isfinite(whole)
        sky, scale = _sky(whole, light[c][part], use)
        off = whole - image - sky
        found.tilt.append(_tilt(off, use) / sigma)
        found.kept.append(_kept(off, scale * true, use, sigma))
        found.pull.append(float(np.std(off[use])) / told["error"][c])
    return found


def _sky(whole: Float32, light: Float32, use: Bool) -> tuple[Float32, float]:
    """The sky of a stack, and how much of the light of the scene its reference light saw: least squares."""
    y, x = np.meshgrid(*(np.linspace(-1, 1, n) for n in whole.shape), indexing="ij")
    terms = [np.ones_like(x), x, y, x * x, x * y, y * y]
    columns = np.stack([part[use] for part in (*terms, light.astype(np.float64))], axis=1)
    *sky, scale = np.linalg.lstsq(columns, whole[use].astype(np.float64), rcond=None)[0]
    return sum(value * part for value, part in zip(sky, terms, strict=True)).astype(np.float32), float(scale)


def _tilt(off: Float32, use: Bool) -> float:
    """Range over the field of the plane through what is off."""
    y, x = (np.linspace(-0.5, 0.5, n) for n in off.shape)
    v, u = np.meshgrid(y, x, indexing="ij")
    terms = np.stack([np.ones(use.sum()), u[use], v[use]], axis=1)
    slopes = np.linalg.lstsq(terms, off[use].astype(np.float64), rcond=None)[0][1:]
    return float(np.abs(slopes).sum())


def _kept(off: Float32, true: Float32, use: Bool, sigma: float) -> float:
    """Light of the object outside its brightest contours over the true one, above the darkest tenth of the field."""
    dark = use & (true <= np.quantile(true[use], DARKEST))
    level, gone = float(np.median(true[dark])), float(np.mean(off[dark]))
    bright = float(np.quantile(true[use], 0.995)) - level
    faint = use & (true - level > 0.5 * sigma) & (true - level < BRIGHTEST * bright)
    if faint.sum() < 1000:
        return float("nan")
    return 1 - float((off[faint] - gone).sum() / (true[faint] - level).sum())


def main() -> None:
    """Measure, print, and with --write put the table into the page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, nargs="*", default=[61, 71, 72])
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    head = (
        "| set | seed | empty, % | tilt left, sigma of a pixel, R / G / B | light of the object kept, %, R / G / B "
        "| off over its error, R / G / B |"
    )
    lines = [head, "|---|---|---|---|---|---|"]
    with tempfile.TemporaryDirectory() as spare:
        for seed in chosen.seeds:
            for number, (kind, text) in enumerate(KINDS.items()):
                folder = (chosen.keep or Path(spare)) / f"gradient-{seed}-{number}"
                folder.mkdir(parents=True, exist_ok=True)
                light, alone = stacked(loads((COMMON + text).format(seed=seed)), folder)
                found = errors(read(folder / "out"), folder / "out", light, alone)
                tilt = " / ".join(f"{value:.2f}" for value in found.tilt)
                kept = " / ".join(f"{100 * value:.1f}" for value in found.kept)
                pull = " / ".join(f"{value:.1f}" for value in found.pull)
                lines.append(f"| {kind} | {seed} | {100 * found.empty:.0f} | {tilt} | {kept} | {pull} |")
                print(lines[-1], flush=True)
    if chosen.write:
        written("gradients", "\n".join(lines), PAGE)


if __name__ == "__main__":
    main()
