"""Simulated nights with known truth, run once, and the comparison of a stack with its truth."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from astropy.io import fits
from scipy.ndimage import map_coordinates, maximum_filter

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from made_once import made_once
from plain_runs import PLAIN

Float64 = npt.NDArray[np.float64]

NEBULA = """
seed = 41
exposure_s = 240.0
[object]
size = 0.7
[camera]
width_px = 480
height_px = 320
mosaic = "GRBG"
[stars]
count = 160
brightest_mag = 9.0
faintest_mag = 17.0
slope = 0.2
cluster_count = 0
[calibration]
darks = 6
flats = 6
bias = 6
[[nights]]
count = 6
trail_share = 0.34
cloud_share = 0.17
cloud_mag = 0.7
[[nights]]
count = 6
start_utc = "2031-08-20T23:40:00"
moon_phase_deg = 70.0
gradient = 0.12
rotation_deg = 1.4
offset_x_px = 7.0
flip_after = 3
trail_share = 0.17
trailed = [5]
"""
"""Two nights, one under the Moon, turned and flipped; trails in a fourth of the frames, cloud, lost guiding."""

STARS = """
seed = 12
exposure_s = 60.0
[object]
kind = "none"
[optics]
vignetting = 0.0
dust_motes = 0
[camera]
width_px = 480
height_px = 360
cosmic_rays_per_cm2_s = 0.0
[stars]
count = 110
brightest_mag = 10.4
faintest_mag = 14.5
slope = 0.1
cluster_count = 0
[[nights]]
count = 8
dither_px = 9.0
flip_after = 4
[[nights]]
count = 4
start_utc = "2031-08-17T23:40:00"
rotation_deg = 33.0
scale = 1.04
dither_px = 9.0
"""
"""Bright stars over a factor of twenty in flux; a second night with another angle and another image scale."""


@dataclass(frozen=True)
class Night:
    """A simulated night and what the run made of it."""

    raw: Path
    out: Path

    @cached_property
    def summary(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads((self.out / "summary.json").read_text(encoding="utf-8"))
        return found

    @cached_property
    def truth(self) -> dict[str, dict[str, Any]]:
        """What was simulated, by file below the raw folder."""
        frames = json.loads((self.raw / "truth" / "truth.json").read_text())["frames"]
        return {frame["file"]: frame for frame in frames}

    def simulated(self, frame: dict[str, Any]) -> dict[str, Any]:
        """The truth of one entry of the summary."""
        return self.truth[Path(frame["path"]).relative_to(self.raw).as_posix()]

    @cached_property
    def reference(self) -> dict[str, Any]:
        """Truth of the frame on whose grid the stack lies."""
        return next(
            self.simulated(f) for f in self.summary["frames"] if f["matrix"] == [[1, 0, 0], [0, 1, 0]]
        )

    def layer(self, name: str, file: str = "stack.fits") -> Float64:
        with fits.open(self.out / file) as hdus:
            return np.array(hdus[name].data, dtype=np.float64)

    def true_layer(self, name: str, order: int = 3) -> Float64:
        """A layer of the truth on the stack's grid, in electrons of the reference light."""
        with fits.open(self.raw / "truth" / "truth.fits") as hdus:
            image = np.array(hdus[name].data, dtype=np.float64)
        grid = self.summary["grid"]
        matrix = np.array(self.reference["matrix"])
        y, x = np.mgrid[: grid["ny"], : grid["nx"]].astype(float)
        u, v = np.tensordot(matrix[:, :2], [x, y], axes=1) + matrix[:, 2][:, None, None]
        area = abs(np.linalg.det(matrix[:, :2]))
        placed = map_coordinates(image, [v, u], order=order, mode="nearest")
        return np.asarray(placed * area * self.reference["transparency"])

    @cached_property
    def free(self) -> npt.NDArray[np.bool_]:
        """Pixels away from stars (3 e of starlight in all planes together) and from the rim."""
        light = sum(self.true_layer(f"{plane}_STARS", order=1) for plane in ("R", "G1", "B"))
        free = maximum_filter(light, 5) < 3.0
        free[:16] = free[-16:] = free[:, :16] = free[:, -16:] = False
        return np.asarray(free)


def made(folder: Path, scene: str, settings: Sequence[str] = PLAIN) -> Night:
    simulate(loads(scene), folder / "raw")
    run([folder / "raw"], folder / "out", with_settings(Recipe(), list(settings)))
    return Night(folder / "raw", folder / "out")


def night(factory: pytest.TempPathFactory, name: str, scene: str, settings: Sequence[str]) -> Night:
    folder = made_once(factory, name, lambda place: made(place, scene, settings))
    return Night(folder / "raw", folder / "out")


@pytest.fixture(scope="session")
def nebula(tmp_path_factory: pytest.TempPathFactory) -> Night:
    return night(tmp_path_factory, "nebula", NEBULA, ["run.threads=1"])


@pytest.fixture(scope="session")
def star_field(tmp_path_factory: pytest.TempPathFactory) -> Night:
    return night(tmp_path_factory, "stars", STARS, PLAIN)
