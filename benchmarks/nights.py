"""Simulated nights on which speed is measured: frames of any number and size, made once and used again."""

from __future__ import annotations

from pathlib import Path

from fourlight.simulate.render import simulate
from fourlight.simulate.scene import Scene, loads

__all__ = ["FIRST_LIGHT", "made", "scene_of"]

FIRST_LIGHT = "light_0001.fits"
"""Reference of both sides."""

STARS_PER_MEGAPIXEL = 1000

SCENE = """
seed = 5
exposure_s = 120.0
[object]
name = "Invented field for clocks"
[stars]
count = {stars}
cluster_count = 0
[camera]
width_px = {width}
height_px = {height}
[calibration]
darks = {calibration}
flats = {calibration}
bias = {calibration}
[[nights]]
count = {frames}
dither_px = 8.0
flip_after = {flip}
trail_share = 0.15
"""


def scene_of(frames: int, megapixels: float, calibration: int) -> Scene:
    """A night with a meridian flip in its middle, some satellite trails, and calibration frames."""
    height = 4 * round((megapixels * 1e6 * 3 / 4) ** 0.5 / 4)
    width = 4 * (height // 3)
    text = SCENE.format(
        stars=round(STARS_PER_MEGAPIXEL * megapixels),
        width=width,
        height=height,
        calibration=calibration,
        frames=frames,
        flip=frames // 2,
    )
    return loads(text)


def made(work: Path, frames: int, megapixels: float, calibration: int) -> Path:
    """Folder of the night's frames below ``work``; frames that are there stay."""
    folder = work / f"night-{frames}x{megapixels:g}MP-{calibration}"
    simulate(scene_of(frames, megapixels, calibration), folder)
    return folder
