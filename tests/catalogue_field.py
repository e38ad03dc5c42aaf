"""A simulated field of catalogue stars and the run on it, for tests of several parts."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import Scene, loads

__all__ = ["QUICK", "Made", "made", "scene"]

QUICK = ["evidence.channels=false", "evidence.claims=false"]
NAMED = ["gear.camera=bsi-5mp", "gear.filter=uv-ir-cut"]

SCENE = """
seed = 41
exposure_s = 60
[object]
kind = "none"
[camera]
width_px = 420
height_px = 300
sensor = "bsi-5mp"
mosaic = "GRBG"
[optics]
focal_mm = 45.0
aperture_mm = 15.0
blur_arcsec = 32
colour_blur_arcsec = 4
guiding_arcsec = 2
[filter]
name = "uv-ir-cut"
[site]
ra_deg = 291.0
dec_deg = 27.0
[stars]
catalogue = true
count = 600
brightest_mag = 11.0
faintest_mag = 15.0
cluster_count = 0
[calibration]
flats = 4
bias = 4
[[nights]]
count = 4
sky_mag = 20.0
[[nights]]
count = 3
sky_mag = 21.0
start_utc = "2031-08-20T23:40:00"
"""


@dataclass(frozen=True)
class Made:
    """Folders of the lights and of the results, and what is in them."""

    raw: Path
    out: Path
    summary: dict[str, Any]
    truth: dict[str, Any]

    def zero(self, plane: str) -> float:
        """True zero point of the stack, whose reference light has a transparency of its own."""
        name = self.summary["grid"]["reference"]
        clear = next(f["transparency"] for f in self.truth["frames"] if f["file"].endswith(name))
        return float(self.truth["zero_points"][plane[0]] + 2.5 * np.log10(clear))


def scene() -> Scene:
    return loads(SCENE)


def made(folder: Path, settings: tuple[str, ...] = ()) -> Made:
    """Simulate, where that has not been done, and run with camera and filter named."""
    raw, out = folder / "raw", folder / "out"
    simulate(scene(), raw)
    summary = run([raw], out, with_settings(Recipe(), [*QUICK, *NAMED, *settings]))
    return Made(raw, out, summary, json.loads((raw / "truth" / "truth.json").read_text()))
