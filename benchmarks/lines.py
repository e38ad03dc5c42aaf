"""Lines against simulated truth: noise over the bound, claimed noise, fine-detail crosstalk, leak after stars.

Usage: python benchmarks/lines.py [--work FOLDER] [--table NAME] [--write]

Nights are simulated and go through the whole program. Leaks after stars are those of drawn cameras whose stars have
colours of the catalogue.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from accuracy import blocks
from astropy.io import fits
from drawn_stars import sky_stars
from line_truth import LineTruth, bound
from page_tables import write_table
from scipy.ndimage import gaussian_filter

from fourlight.core.leakage import systematic
from fourlight.core.unmix import gain_of
from fourlight.pipeline.line_request import Asked
from fourlight.pipeline.line_sources import USUAL_MASS
from fourlight.pipeline.lines import lines_on
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.sensor.filters import named_filter
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.mixing import Ratios
from fourlight.sensor.response import with_error
from fourlight.sensor.sensors import sensor
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from fourlight.stages.line_kinds import LightSet, choose_kinds
from fourlight.stages.line_stars import taught

Float64 = npt.NDArray[np.float64]

PAGE = Path(__file__).parent.parent / "docs" / "lines.md"
EVIDENCE = ["evidence.channels=false", "evidence.claims=false"]
PERFECT = ["read.black_adu=500", "read.gain_e_per_adu=0.8", "read.read_noise_e=1.6"]
"""A sensor without pattern needs no masters."""
NAMES = {"halpha": "Hα", "oiii": "[OIII]"}
EXTENSIONS = {"halpha": "HALPHA", "oiii": "OIII"}
SIDES = (4, 8, 16)
"""Of blocks, pixels."""
CAMERA = "bsi-8mp"
STACK = np.array([10.0, 4.0, 5.0])
"""Usual variances of red, green and blue, for cameras that are drawn without a stack."""

SCENE = """
seed = {seed}
exposure_s = 240.0
[object]
kind = "{kind}"
size = {size}
sii_ratio = 0.0
reflection_mag = 60.0
starlight_mag = 60.0
halpha_rayleigh = {rayleigh}
[filter]
name = "{filter}"
[camera]
sensor = "{camera}"
width_px = {width}
height_px = {height}
column_offset_e = 0.0
dark_e_per_s = 0.0
hot_share = 0.0
dead_share = 0.0
glow_e_per_s = 0.0
prnu = 0.0
[stars]
count = {stars}
cluster_count = 0
[optics]
vignetting = 0.0
dust_motes = 0
[[nights]]
count = {count}
sky_mag = {sky}
gradient = 0.02
{masters}
"""
MASTERS = """[calibration]
darks = 24
flats = 16
bias = 24
"""


def scene(seed: int, kind: str, filter_name: str, sky: float, **more: Any) -> str:
    """A smooth disc, or the nebula, without continuum but that of stars and sky."""
    size = {
        "kind": kind,
        "size": 0.4 if kind == "disc" else 0.62,
        "rayleigh": 2500.0 if kind == "disc" else 6000.0,
    }
    wide = {"width": 1000, "height": 720, "stars": 300, "count": 40, "masters": ""}
    return SCENE.format(seed=seed, filter=filter_name, sky=sky, camera=CAMERA, **(size | wide | more))


def made(text: str, work: Path) -> tuple[Path, Path]:
    """Frames and results of a scene; those that are there are taken."""
    raw, out = work / "raw", work / "out"
    if not (out / "summary.json").exists():
        simulate(loads(text), raw)
        settings = EVIDENCE if "darks" in text else [*EVIDENCE, *PERFECT]
        run([raw], out, with_settings(Recipe(), settings))
    return raw, out


def told(raw: Path, out: Path, filter_name: str) -> tuple[LineTruth, dict[str, Any], dict[str, Any]]:
    """Truth, summary and facts of the lines of a run, with the camera known but for its ratios."""
    ratios = Ratios(nii_sigma=0.0, balmer_part=0.0, reddening_sigma=0.0)
    camera = replace(sensor(CAMERA), modes=np.zeros((0, *sensor(CAMERA).curves.shape)))
    facts = lines_on(out, Asked(camera, named_filter(filter_name), None, ratios))
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    return LineTruth(raw, summary), summary, facts


def noise_rows(name: str, text: str, filter_name: str, work: Path) -> list[str]:
    """Noise of blocks over the bound and over what is claimed."""
    raw, out = made(text, work)
    truth, summary, facts = told(raw, out, filter_name)
    data = json.loads((raw / "truth" / "truth.json").read_text())
    matrix = np.array(facts["matrix"])
    units = np.array([0.25, 0.5, 0.25]) @ matrix
    least = [bound(truth, summary, data, matrix, side) * units[:, None, None] ** 2 for side in SIDES]
    rows = []
    with fits.open(out / "lines.fits") as maps, fits.open(out / "stack.fits") as stack:
        usual = np.array([np.nanmedian(stack[f"VAR_{c}"].data) for c in "RGB"])
        share = gain_of(matrix / units, usual)
        # what faint wings of stars are told as
        stars = np.array([truth.stars(p) * truth.reference["transparency"] for p in ("R", "G1", "B")])
        for line in NAMES:
            k = facts["columns"].index(line)
            away = maps[EXTENSIONS[line]].data.astype(float) - truth.line(line)
            away -= np.tensordot(share[k], stars, axes=1)
            claimed = maps[f"VAR_{EXTENSIONS[line]}"].data.astype(float)
            away[~truth.dark] = np.nan
            cells = [_scatter(away, part[k], side) for part, side in zip(least, SIDES, strict=True)]
            cells += [_scatter(away, claimed, side) for side in SIDES]
            count = len(SIDES)
            rows.append(
                f"| {name} | {NAMES[line]} | {_row(cells[:count])} | {_row(cells[count:])} | "
                f"{facts['kinds'][line]['inflation']:.2f} |"
            )
            print(rows[-1], flush=True)
    truth.close()
    return rows


def all_noise_rows(seed: int, work: Path) -> list[str]:
    """Rows of all cases."""
    rows = []
    for k, (name, filter_name, sky, count) in enumerate(CASES):
        masters = MASTERS if "darks" in name else ""
        text = scene(seed + k, "disc", filter_name, sky, count=count, masters=masters)
        rows += noise_rows(name, text, filter_name, work / f"noise-{seed + k}")
    return rows


def _scatter(away: Float64, variance: Float64, side: int) -> float:
    """Scatter of block means over what variances say, from three in a row: levels and slopes of the sky drop out."""
    mean, error = blocks(away, side), blocks(variance, side) / side**2
    mean[:1] = mean[-1:] = np.nan
    mean[:, :1] = mean[:, -1:] = np.nan
    step = mean[:, 2:] - 2 * mean[:, 1:-1] + mean[:, :-2]
    step /= np.sqrt(error[:, 2:] + 4 * error[:, 1:-1] + error[:, :-2])
    step = step[np.isfinite(step)]
    step = step[np.abs(step) < 5]
    return float(np.sqrt(np.mean(step**2)))


def _row(values: list[float]) -> str:
    return " / ".join(f"{value:.3f}" for value in values)


def crosstalk_rows(seed: int, work: Path) -> list[str]:
    """Fine detail of each line in the map of the other, as photons for each photon."""
    raw, out = made(scene(seed, "nebula", "dual-7nm", 21.0, stars=600), work)
    truth, _, facts = told(raw, out, "dual-7nm")
    units = dict(zip(facts["columns"], np.array([0.25, 0.5, 0.25]) @ np.array(facts["matrix"]), strict=True))
    good = truth.dark.copy()
    good[:12] = good[-12:] = good[:, :12] = good[:, -12:] = False
    fine = {line: _fine(truth.line(line) / units[line]) for line in NAMES}
    rows = []
    with fits.open(out / "lines.fits") as maps:
        for to, of in (("oiii", "halpha"), ("halpha", "oiii")):
            found = maps[EXTENSIONS[to]].data.astype(float) / units[to]
            good_here = good & np.isfinite(found)
            detail = _fine(np.where(np.isfinite(found), found, 0.0))[good_here]
            design = np.column_stack([fine[to][good_here], fine[of][good_here]])
            share, error = _slope(detail, design)
            rows.append(
                f"| fine detail of {NAMES[of]} in {NAMES[to]}, % | {100 * share:+.2f} +- {100 * error:.2f} |"
            )
            print(rows[-1], flush=True)
    truth.close()
    return rows


def _fine(image: Float64) -> Float64:
    """Detail of some 2 to 6 pixels."""
    return np.asarray(gaussian_filter(image, 1.5) - gaussian_filter(image, 5.0))


def _slope(value: Float64, design: Float64) -> tuple[float, float]:
    """Share of the second column, and its error from leaving out eight parts of the field one after the other."""

    def fitted(use: npt.NDArray[np.bool_]) -> float:
        return float(np.linalg.lstsq(design[use], value[use], rcond=None)[0][1])

    part = np.arange(len(value)) * 8 // len(value)
    each = np.array([fitted(part != k) for k in range(8)])
    return fitted(part >= 0), float(np.sqrt(7 / 8 * np.square(each - each.mean()).sum()))


def star_rows(seed: int, draws: int = 200) -> list[str]:
    """Leak of Hα into [OIII] after stars, with curves that are known to 10 and to 5 %."""
    return [row for error in (0.10, 0.05) for row in _rows_of_stars(seed, draws, error)]


def _rows_of_stars(seed: int, draws: int, error: float) -> list[str]:
    bare = replace(sensor(CAMERA), modes=np.zeros((0, *sensor(CAMERA).curves.shape)))
    path = LightPath(with_error(bare, error, "drawn"), named_filter("dual-7nm"))
    telling = choose_kinds(
        [LightSet(path, STACK)], Ratios(nii_sigma=0.0, balmer_part=0.0, reddening_sigma=0.0)
    )
    none = np.zeros(len(telling.modes) - len(path.response.modes))
    rows = []
    for count in (0, 30, 100, 300):
        rng, found, claimed, learned = np.random.default_rng([seed, count]), [], [], 0
        for _ in range(draws):
            z = rng.standard_normal(len(path.response.modes))
            true = telling.matrix + np.tensordot(np.concatenate([z, none]), telling.modes, axes=1)
            result = taught(telling, path, sky_stars(path, z, count, rng), STACK, USUAL_MASS)
            learned += result.facts["used"]
            found.append((gain_of(result.telling.matrix, STACK) @ true)[1, 0])
            claimed.append(systematic(result.telling.matrix, STACK, result.telling.modes)[1, 0])
        rms, told = (100 * np.sqrt(np.mean(np.square(each))) for each in (found, claimed))
        rows.append(
            f"| {100 * error:.0f} % | {count} | {rms:.2f} | {100 * np.mean(found):+.2f} | {told:.2f} | "
            f"{learned} of {draws} |"
        )
        print(rows[-1], flush=True)
    return rows


HEADS = {
    "noise": [
        "| filter, sky | line | scatter over bound | scatter over claim | inflation |",
        "|---|---|---|---|---|",
    ],
    "crosstalk": ["| | photons for a photon |", "|---|---|"],
    "stars": [
        "| curves known to | stars of the catalogue | leak, rms, % | mean, % | claimed, % | cameras that learned |",
        "|---|---|---|---|---|---|",
    ],
}
CASES = (
    ("dual 7 nm, dark", "dual-7nm", 21.3, 40),
    ("dual 7 nm, dark, 20 lights", "dual-7nm", 21.3, 20),
    ("dual 7 nm, bright", "dual-7nm", 18.5, 40),
    ("dual wide", "dual-wide", 20.5, 40),
    ("three bands", "tri-band", 20.5, 40),
    ("dual 7 nm, dark, 24 darks", "dual-7nm", 21.3, 40),
)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--work", type=Path, help="keep frames and stacks here, and use those that are here")
    parser.add_argument("--table", choices=tuple(HEADS), help="one of the tables; all if not said")
    parser.add_argument("--write", action="store_true", help="write the tables into docs/lines.md")
    parser.add_argument("--seed", type=int, default=71_000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        work, seed = options.work or Path(scratch), options.seed
        kinds = {
            "stars": lambda: star_rows(seed),
            "noise": lambda: all_noise_rows(seed, work),
            "crosstalk": lambda: crosstalk_rows(seed + 50, work / f"crosstalk-{seed + 50}"),
        }
        tables = {name: made() for name, made in kinds.items() if options.table in (None, name)}
    if options.write:
        for name, rows in tables.items():
            write_table(PAGE, name, [*HEADS[name], *rows])


if __name__ == "__main__":
    main()
