"""Finding stars: Fourlight on the raw mosaic against sep, on the same simulated light, and both against the truth."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import numpy.typing as npt
import sep
from astropy.io import fits
from clocks import in_turns
from scipy.ndimage import convolve
from scipy.spatial import KDTree

from fourlight.core import cfa, maps, skycells
from fourlight.core.noise import sample_noise
from fourlight.recipe import Measure
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from fourlight.stages import measure

__all__ = ["compare"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

# Nothing is left in the frame that calibration would have taken away.
SCENE = """
seed = 8
exposure_s = 120.0
[stars]
count = {stars}
cluster_count = 0
[optics]
vignetting = 0.0
dust_motes = 0
[camera]
width_px = {width}
height_px = {height}
glow_e_per_s = 0.0
hot_share = 0.0
dead_share = 0.0
column_offset_e = 0.0
prnu = 0.0
[[nights]]
count = 2
"""
CELL = cfa.plane_map("RGGB")
SIGMA = 5.0
ALONE_PX, BESIDE = 12.0, 0.02
"""Stars count that have no more than this share of their light beside them within this distance."""
BILINEAR_GREEN = np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]]) / 4
"""Weights by which greens are filled in between their samples."""


def ours(image: Float32) -> tuple[Float64, Float64]:
    """Places of stars as a run finds them: sky, noise, candidates and the joint fit on samples of all planes."""
    settings = Measure()
    solid = skycells.filled(skycells.cell_levels(image, CELL, settings.cell_px))
    noise = np.array([sample_noise(image[y::2, x::2]) for y in range(2) for x in range(2)])
    excess = skycells.Excess.above(image, solid, CELL, noise)
    fits_, _ = measure._fitted(excess, CELL, noise, 1.0, settings)
    return fits_[:, 0], fits_[:, 1]


def by_sep(picture: Float32, scale: float) -> tuple[Float64, Float64]:
    """Places by sep: sky, detection, then its windowed centroids, which it says are the best it has."""
    back = sep.Background(picture)
    clean = picture - back.back()
    found = sep.extract(clean, SIGMA, err=back.globalrms)
    width = np.median(2 * np.sqrt(np.log(2) * (found["a"] ** 2 + found["b"] ** 2)))
    x, y, _ = sep.winpos(clean, found["x"], found["y"], np.full(len(found), width / 2.355))
    return scale * x + (scale - 1) / 2, scale * y + (scale - 1) / 2


def green_means(image: Float32) -> Float32:
    """Mean of both greens of each 2 x 2 cell: a quarter of the pixels."""
    return np.ascontiguousarray((image[::2, 1::2] + image[1::2, ::2]) / 2)


def green_filled(image: Float32) -> Float32:
    """Green at every pixel, filled in from the four neighbours."""
    mask = np.zeros(image.shape, dtype=np.float32)
    mask[::2, 1::2] = mask[1::2, ::2] = 1
    return convolve(image * mask, BILINEAR_GREEN.astype(np.float32), mode="mirror")


def _truth(folder: Path) -> tuple[Float64, Float64]:
    """True places (n, 2) in the first light and light in green of the stars that stand alone."""
    frame = json.loads((folder / "truth" / "truth.json").read_text())["frames"][0]
    rows = list(csv.DictReader((folder / "truth" / "stars.csv").open()))
    u, v, light = (np.array([float(row[key]) for row in rows]) for key in ("x_px", "y_px", "g_e"))
    x, y = maps.apply(maps.inverse(np.array(frame["matrix"])), u, v)
    place = np.column_stack([x, y])
    near = KDTree(place).query_pairs(ALONE_PX, output_type="ndarray")
    beside = np.bincount(near[:, 0], light[near[:, 1]], len(light)) + np.bincount(
        near[:, 1], light[near[:, 0]], len(light)
    )
    good = beside < BESIDE * light
    return place[good], light[good]


def compare(work: Path, megapixels: float = 12.0) -> dict[str, float]:
    """Processor time in ms per megapixel, and error of a place per axis (rms, px) over stars that all ways found."""
    height = 4 * round((megapixels * 1e6 * 3 / 4) ** 0.5 / 4)
    width = 4 * (height // 3)
    folder = work / f"stars-{megapixels:g}MP"
    simulate(loads(SCENE.format(stars=round(1000 * megapixels), width=width, height=height)), folder)
    path = min(folder.rglob("light_0001.fits"))
    with fits.open(path) as light:
        image = ((light[0].data.astype(np.float32) - 500) * light[0].header["EGAIN"]).astype(np.float32)
    place, light_e = _truth(folder)
    least, found = in_turns(
        {
            "ours": lambda: ours(image),
            "sep, green means": lambda: by_sep(green_means(image), 2.0),
            "sep, green filled in": lambda: by_sep(green_filled(image), 1.0),
        }
    )
    errors = {name: _apart(place, *xy) for name, xy in found.items()}
    common = np.all([np.isfinite(error).all(axis=1) for error in errors.values()], axis=0) & (light_e < 2e5)
    out = {f"{name}, ms per MP": 1e3 * time / (image.size / 1e6) for name, time in least.items()}
    out |= {f"{name}, px": float(np.sqrt(np.mean(error[common] ** 2))) for name, error in errors.items()}
    found_of = {f"{name}, stars": float(np.isfinite(error[:, 0]).sum()) for name, error in errors.items()}
    return out | found_of | {"common": float(common.sum())}


def _apart(place: Float64, x: Float64, y: Float64) -> Float64:
    """(n, 2) found less true place of each true star; NaN where none was found within a pixel."""
    found = np.column_stack([x, y])
    gap, index = KDTree(found).query(place)
    out = found[index] - place
    out[gap > 1.0] = np.nan
    return out
