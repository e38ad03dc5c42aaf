"""The truth beside the frames: what was put in, on one grid, so that results can be compared with it."""

from __future__ import annotations

import csv
import json
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from astropy.io import fits

from fourlight.core.cfa import PLANES, plane_map
from fourlight.io.room import whole, writing
from fourlight.io.scan import MARKER
from fourlight.simulate.exposure import star_electrons
from fourlight.simulate.frame_files import save
from fourlight.simulate.plan import LightPlan, frame_matrix, reference_shapes
from fourlight.simulate.resample import blurred
from fourlight.simulate.world import World

__all__ = ["object_truth", "star_truth", "write_truth"]

FloatArray = npt.NDArray[np.float64]

_COLOUR = {"R": 0, "G1": 1, "G2": 1, "B": 2}


def object_truth(world: World, *, sharp: bool = False) -> dict[str, npt.NDArray[np.float32]]:
    """Expected electrons of the object without stars, per truth pixel and reference sub, for each plane.

    With the point spread and the pixel area of the reference sub; ``sharp`` leaves both out.
    """
    scene, found = world.scene, []
    matrix, shapes = frame_matrix(scene, 0.0, 1.0, np.zeros(2)), reference_shapes(scene, world.light)
    x0, y0 = -world.emission.x0, -world.emission.y0
    window = np.s_[y0 : y0 + scene.camera.height_px, x0 : x0 + scene.camera.width_px]
    for colour, canvas in enumerate(world.emission.canvases):
        plane = world.emission.rate[colour]
        if not sharp:
            plane = blurred(canvas, matrix, shapes[colour], world.profile, spline=False)
        found.append((plane[window] * scene.exposure_s).astype(np.float32))
    return {name: found[_COLOUR[name]] for name in PLANES}


def star_truth(world: World) -> dict[str, npt.NDArray[np.float32]]:
    """Expected electrons of the stars alone, as `object_truth`, every truth pixel in every plane."""
    scene = world.scene
    matrix, shapes = frame_matrix(scene, 0.0, 1.0, np.zeros(2)), reference_shapes(scene, world.light)
    found = []
    for colour in range(3):
        image = np.zeros((scene.camera.height_px, scene.camera.width_px))
        cell = np.full((2, 2), colour, dtype=np.int64)
        every = replace(world, detector=replace(world.detector, cell=cell))
        star_electrons(every, matrix, shapes, scene.exposure_s, image)
        found.append(image.astype(np.float32))
    return {name: found[_COLOUR[name]] for name in PLANES}


def write_truth(world: World, plans: list[LightPlan], folder: Path) -> None:
    """Write truth.fits, truth.json and stars.csv into ``folder``.

    Raises
    ------
    OutputError
        The folder cannot be written or the disk is full.
    """
    text = json.dumps(_summary(world, plans), indent=1)
    with writing(folder):
        folder.mkdir(parents=True, exist_ok=True)
    with whole(folder / MARKER) as part:
        part.write_text("What was simulated; not raw frames.\n", encoding="utf-8")
    _write_planes(world, folder / "truth.fits")
    _write_stars(world, folder / "stars.csv")
    with whole(folder / "truth.json") as part:
        part.write_text(text, encoding="utf-8")


def _write_planes(world: World, path: Path) -> None:
    primary = fits.PrimaryHDU()
    primary.header["IMAGETYP"] = ("TRUTH", "what was simulated; not a frame")
    hdus: list[Any] = [primary]
    for suffix, planes in (
        ("", object_truth(world)),
        ("_STARS", star_truth(world)),
        ("_SHARP", object_truth(world, sharp=True)),
    ):
        for name, plane in planes.items():
            hdu = fits.ImageHDU(plane, name=name + suffix)
            hdu.header["BUNIT"] = ("electron", "per pixel and reference sub")
            hdus.append(hdu)
    share = fits.ImageHDU(world.detector.sensitivity, name="SENSITIVITY")
    share.header["BUNIT"] = ("", "share of light that counts, per sample of a frame")
    save(fits.HDUList([*hdus, share]), path)


def _write_stars(world: World, path: Path) -> None:
    stars, seconds = world.stars, world.scene.exposure_s
    ny, nx = world.detector.sensitivity.shape
    inside = (stars.x > -0.5) & (stars.x < nx - 0.5) & (stars.y > -0.5) & (stars.y < ny - 0.5)
    with whole(path) as part, part.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(["x_px", "y_px", "r_e", "g_e", "b_e", "temperature_k", "v_mag", "b_v"])
        for k in np.flatnonzero(inside):
            electrons = [f"{value:.3f}" for value in stars.rate[k] * seconds]
            place = [f"{stars.x[k]:.4f}", f"{stars.y[k]:.4f}"]
            kind = [f"{stars.temperature_k[k]:.0f}", f"{stars.magnitude[k]:.4f}", f"{stars.b_v[k]:.4f}"]
            out.writerow([*place, *electrons, *kind])


def _summary(world: World, plans: list[LightPlan]) -> dict[str, Any]:
    scene = world.scene
    hot = np.argwhere(world.detector.hot_e_per_s > 0.05)
    return {
        "meaning": "positions x, y with whole numbers at pixel centres; colours R, G, B; electrons per frame",
        "pixel_arcsec": scene.pixel_arcsec,
        "zero_points": {
            colour: float(value) if np.isfinite(value) else None
            for colour, value in zip("RGB", world.light.zero_points, strict=True)
        },
        "reference_fwhm_px": _widths(reference_shapes(scene, world.light)),
        "full_adu": world.detector.full_adu,
        "mosaic": scene.camera.mosaic,
        "planes": plane_map(scene.camera.mosaic).tolist(),
        "frames": [_frame(plan) for plan in plans],
        "hot_yx": hot.tolist(),
        "dead_yx": np.argwhere(world.detector.dead).tolist(),
        "scene": scene.model_dump(mode="json"),
    }


def _frame(plan: LightPlan) -> dict[str, Any]:
    return {
        "file": plan.name,
        "matrix": plan.matrix.tolist(),
        "colour_matrices": plan.matrices.tolist(),
        "exposure_s": plan.exposure_s,
        "transparency": plan.transparency,
        "sky_e": plan.sky_e.tolist(),
        "sky_slope_e_per_px": plan.sky_slope_e.tolist(),
        "fwhm_px": plan.fwhm_px.tolist(),
        "smear_px": plan.smear_px,
        "smear_angle_deg": plan.smear_angle_deg,
        "cloud": plan.cloud,
        "trailed": plan.trailed,
        "defocused": plan.defocused,
        "trails": [
            {**asdict(trail), "electrons_per_px": trail.electrons_per_px.tolist()} for trail in plan.trails
        ],
    }


def _widths(shapes: FloatArray) -> list[float]:
    """Full width at half maximum across the smear, per colour."""
    return [float(1.0 / np.linalg.svd(shape, compute_uv=False).max()) for shape in shapes]
