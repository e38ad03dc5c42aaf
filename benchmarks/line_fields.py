"""Leak of Hα into [OIII] on simulated fields of the catalogue, told as if the camera's curves were not known.

Usage: python benchmarks/line_fields.py [--seed N] [--write]

Lights of true catalogue stars go through the whole program: run, plate solution, light of stars, what they teach of the
camera. Each field is seen with stars of two widths: some two pixels, and so narrow that they lie between samples.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from astropy.io import fits
from page_tables import write_table

from fourlight.core.unmix import gain_of
from fourlight.pipeline.line_request import Asked
from fourlight.pipeline.lines import lines_on
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.sensor.filters import Beam, named_filter
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.mixing import Ratios, mixing_matrix
from fourlight.sensor.sensors import sensor
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads

Float64 = npt.NDArray[np.float64]

PAGE = Path(__file__).parent.parent / "docs" / "lines.md"
SETTINGS = ["evidence.channels=false", "evidence.claims=false", "sky.solve=auto"]
CASES = (
    ("bsi-8mp", "dual-7nm", 291.0, 27.0),
    ("slr-16mp", "tri-band", 84.0, 30.0),
    ("bsi-5mp", "dual-wide", 302.0, 41.0),
    ("bsi-8mp", "quad-band", 330.0, 50.0),
)
"""Camera, filter, and a place in the Milky Way."""
BLURS = (28.0, 12.0)
"""Of stars, arcsec: two pixels, and narrower than one."""

FOCAL_MM, APERTURE_MM = 50.0, 25.0
"""Of the optics: in a beam as fast as this, passbands are wider and bluer than in straight light."""

SCENE = """
seed = {seed}
exposure_s = 300
[object]
kind = "none"
[camera]
width_px = 640
height_px = 440
sensor = "{camera}"
[optics]
air_colour = true
focal_mm = {focal_mm}
aperture_mm = {aperture_mm}
blur_arcsec = {blur}
colour_blur_arcsec = 4
guiding_arcsec = 2
[filter]
name = "{filter}"
[site]
ra_deg = {ra}
dec_deg = {dec}
[stars]
catalogue = true
count = 1500
brightest_mag = 11.0
faintest_mag = 15.5
cluster_count = 0
[calibration]
flats = 6
bias = 8
darks = 8
[[nights]]
count = 14
sky_mag = 21.0
"""


def field(seed: int, case: tuple[str, str, float, float], blur: float, work: Path) -> str:
    """A row of the table: one field."""
    camera, filter_name, ra, dec = case
    text = SCENE.format(
        seed=seed,
        camera=camera,
        filter=filter_name,
        ra=ra,
        dec=dec,
        blur=blur,
        focal_mm=FOCAL_MM,
        aperture_mm=APERTURE_MM,
    )
    simulate(loads(text), work / "raw")
    summary = run([work / "raw"], work / "out", with_settings(Recipe(), SETTINGS))
    ratios = Ratios(nii_sigma=0.0, balmer_part=0.0, reddening_sigma=0.0)
    facts = lines_on(work / "out", Asked(sensor("generic"), named_filter(filter_name), None, ratios))
    width = summary["planes"]["G"]["fwhm_px"]
    return _row(facts, camera, filter_name, width, ratios, _variance(work / "out"))


def _variance(out: Path) -> Float64:
    with fits.open(out / "stack.fits") as stack:
        return np.array([np.nanmedian(stack[f"VAR_{c}"].data) for c in "RGB"])


def _row(
    facts: dict[str, Any], camera: str, filter_name: str, width: float, ratios: Ratios, variance: Float64
) -> str:
    true, before = (_matrix(name, filter_name, facts["columns"], ratios) for name in (camera, "generic"))
    after, stars = np.array(facts["matrix"]), facts["stars"]
    claims = (
        [part["oiii"]["halpha"] for part in (stars["leak_before"], facts["leak"])]
        if "leak_before" in stars
        else []
    )
    k, j = (facts["columns"].index(name) for name in ("oiii", "halpha"))
    leaks = [_leak(matrix, true, variance, k, j) for matrix in (before, after)]
    told = ", ".join(f"{100 * value:.1f}" for value in claims) or "none"
    fitted = f"{stars['chi2']:.1f}" if "chi2" in stars else "none"
    used = stars["stars"] if stars["used"] else f"{stars['stars']}, not used"
    row = (
        f"| `{camera}`, `{filter_name}` | {width:.1f} px | {used} | {', '.join(f'{100 * v:.1f}' for v in leaks)} | "
        f"{told} | {fitted} |"
    )
    print(row, stars.get("reason", ""), json.dumps(stars.get("own_scatter")), flush=True)
    return row


def _matrix(camera: str, filter_name: str, columns: list[str], ratios: Ratios) -> Float64:
    """(3, k) what red, green and blue count of a photon of each line."""
    path = LightPath(sensor(camera), named_filter(filter_name), Beam(FOCAL_MM / APERTURE_MM))
    return np.asarray(mixing_matrix(path, columns, ratios, ("R", "G", "B")).values)


def _leak(told_by: Float64, true: Float64, variance: Float64, k: int, j: int) -> float:
    """Photons of kind j that are told as kind k, for each; curves may have any unit."""
    found = gain_of(told_by, variance) @ true
    return float(found[k, j] / found[k, k])


HEAD = [
    "| camera, filter | FWHM | stars | leak of Hα into [OIII] before and after, % | claimed, % | chi-squared |",
    "|---|---|---|---|---|---|",
]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seed", type=int, default=8_100)
    parser.add_argument("--write", action="store_true", help="write the table into docs/lines.md")
    parser.add_argument("--only", type=int, help="number of one case")
    options = parser.parse_args()
    rows = []
    for n, case in enumerate(CASES):
        for blur in BLURS if options.only in (None, n) else ():
            with tempfile.TemporaryDirectory() as folder:
                rows.append(field(options.seed + n, case, blur, Path(folder)))
    if options.write:
        write_table(PAGE, "fields", [*HEAD, *rows])


if __name__ == "__main__":
    main()
