"""Scenes of the cases in which an integrator is easily found wanting: few frames, Moon, low altitude, faint trails."""

from __future__ import annotations

from fourlight.simulate.scene import Scene, loads

__all__ = ["scene_of", "set_apart"]

_apart = 0
SCENE = """
seed = {seed}
exposure_s = 120.0
[object]
kind = "{kind}"
seed = {object_seed}
size = 0.8
[stars]
count = {stars}
brightest_mag = {brightest}
faintest_mag = 16.5
cluster_count = 0
[optics]
dust_motes = 2
vignetting = 0.1
{optics}
[camera]
width_px = 600
height_px = 420
mosaic = "GRBG"
gain_e_per_adu = 1.1
{camera}
[filter]
{filter}
[calibration]
darks = 8
flats = 12
bias = 12
"""


def set_apart(by: int) -> None:
    """Draw all scenes from now on with seeds that many further on, so that none was seen before."""
    global _apart
    _apart = by


def scene_of(
    *nights: str, kind: str = "nebula", seed: int = 41, stars: int = 300, brightest: float = 9.5, optics: str = "",
    camera: str = "", filters: str = "",
) -> Scene:  # fmt: skip
    """600 x 420 pixels of sky; ``nights`` and the other texts are lines of their sections of the scene."""
    text = SCENE.format(
        seed=seed + _apart,
        object_seed=23 + _apart,
        kind=kind,
        stars=stars,
        brightest=brightest,
        optics=optics,
        camera=camera,
        filter=filters,
    )
    return loads(text + "".join(f"[[nights]]\n{night}\n" for night in nights))
