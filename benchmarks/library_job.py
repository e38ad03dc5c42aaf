"""The whole job by general libraries: calibrate, find stars, align, reject and combine each plane of the mosaic.

Usage: python benchmarks/library_job.py NIGHTS --out DIR [--reference NAME] [--pixfrac P] [--on-disk]

This is what `fourlight run` is measured against, written as somebody would who knows these libraries, by their
documented ways and the fast ones where there are any. ccdproc makes the masters and calibrates with uncertainties; sep
finds and measures stars on 2 x 2 means; astroalign finds the transform, scikit-image refines it over all matched
stars; the drizzle package puts the samples of each plane, and their variances, on the grid of the reference; astropy
clips them (its compiled way, median and MAD); weighted means of all frames and of both halves follow.

A plane is handled as a picture of half the size, so that nothing is spent on samples that are not there, and one
plane of all frames is held at a time (with --on-disk in files, at the price of time). The gain is that of the header.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from typing import Any

import astroalign
import numpy as np
import numpy.typing as npt
from astropy.io import fits
from astropy.stats import sigma_clip
from drizzle.resample import Drizzle
from library_frames import PLANES, Light, by_type, masters, places, prepared
from scipy.spatial import KDTree
from skimage.transform import AffineTransform

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

SIGMA = 4.5
"""Rejection threshold, that of `fourlight run`."""
STRIP = 128
"""Rows that are clipped at once: faster than all at once, and without a second copy of everything."""
BRIGHT = 30
"""Stars whose light is compared."""


def aligned(light: Light, reference: Light) -> tuple[Any, float]:
    """Transform from a light to the reference, and the light's transparency over that of the reference."""
    transform, _ = astroalign.find_transform(light.xy, reference.xy)
    for radius in (2.0, 0.7):
        gap, index = KDTree(reference.xy).query(transform(light.xy))
        near = np.flatnonzero(gap < radius)
        transform = AffineTransform.from_estimate(light.xy[near], reference.xy[index[near]])
    ratio = light.flux[near] / reference.flux[index[near]]
    return transform, float(np.median(ratio[np.isfinite(ratio)][:BRIGHT]))


def sky_plane(light: Light, reference: Light, transform: Any, scale: float, plane: int) -> Float64:
    """Sky of a light less that of the reference: a, b, c of a + b x + c y on the grid of the reference."""
    rows, columns = (part.ravel() for part in places(reference.shape))
    there = transform.inverse(np.column_stack([columns, rows]))
    nearest = np.rint(there / (np.array(light.shape[::-1]) - 1) * 15).astype(int)
    inside = ((nearest >= 0) & (nearest <= 15)).all(axis=1)
    i, j = nearest[inside].T
    apart = light.sky[plane][j, i] / scale - reference.sky[plane].ravel()[inside]
    terms = np.column_stack([np.ones(len(i)), columns[inside], rows[inside]])
    return np.linalg.lstsq(terms, apart, rcond=None)[0]


class Placed:
    """A light with all that is needed to put one of its planes on the grid of the reference."""

    def __init__(self, light: Light, reference: Light) -> None:
        self.light, self.reference = light, reference
        self.transform, self.scale = aligned(light, reference)

    def drizzled(self, plane: int, pixfrac: float) -> tuple[Float32, Float32, Float32]:
        """Values, weights and variances of one plane of this light on the grid of the reference."""
        data, variance = np.load(self.light.file, mmap_mode="r")[plane]
        top, left = list(PLANES.values())[plane]
        y, x = np.mgrid[: data.shape[0], : data.shape[1]]
        samples = np.column_stack([(2 * x + left).ravel(), (2 * y + top).ravel()])
        pixmap = self.transform(samples).reshape(*x.shape, 2)
        a, b, c = sky_plane(self.light, self.reference, self.transform, self.scale, plane)
        scale = self.scale
        weight = scale**2 / self.light.variance[plane]
        driz = Drizzle(kernel="square", out_shape=self.reference.shape, fillval="NaN", disable_ctx=True)
        driz.add_image(
            np.asarray(data / scale - (a + b * pixmap[..., 0] + c * pixmap[..., 1]), dtype=np.float32),
            exptime=1.0,
            pixmap=pixmap,
            data2=np.nan_to_num(variance / np.float32(scale**2)),
            weight_map=np.where(np.isnan(variance), 0, weight).astype(np.float32),
            pixfrac=pixfrac / 2,  # pixels of a plane are twice as large
            in_units="cps",
        )
        return driz.out_img, driz.out_wht, driz.out_img2[0]


def sums(frames: list[Placed], plane: int, pixfrac: float, room: Any) -> Float32:
    """(2, 3, ny, nx): weights, weighted values and weighted variances of both halves, outliers left out."""
    ny, nx = frames[0].reference.shape
    value, weight, variance = (room(part, (len(frames), ny, nx)) for part in ("value", "weight", "variance"))
    for k, frame in enumerate(frames):
        value[k], weight[k], variance[k] = frame.drizzled(plane, pixfrac)
    out = np.zeros((2, 3, ny, nx), dtype=np.float32)
    for y in range(0, ny, STRIP):
        rows = np.s_[:, y : y + STRIP]
        there = np.ma.masked_invalid(value[rows])
        clipped = sigma_clip(
            there, sigma=SIGMA, maxiters=1, cenfunc="median", stdfunc="mad_std", axis=0, copy=False
        )
        w = np.where(np.ma.getmaskarray(clipped), np.float32(0), weight[rows])
        for half in range(2):
            own = np.s_[half::2]
            out[half, 0, y : y + STRIP] = w[own].sum(axis=0)
            out[half, 1, y : y + STRIP] = (w[own] * np.nan_to_num(value[rows][own])).sum(axis=0)
            out[half, 2, y : y + STRIP] = (w[own] ** 2 * np.nan_to_num(variance[rows][own])).sum(axis=0)
    return out


def finished(total: Float32) -> tuple[Float32, Float32]:
    """Weighted mean and its variance from sums (3, ny, nx)."""
    weight, value, variance = total
    with np.errstate(divide="ignore", invalid="ignore"):
        return value / weight, variance / weight**2


def write(planes: dict[str, Float32], out: Path) -> None:
    """``stack.fits`` and ``halves.fits``, planes and variances under the names that `fourlight run` gives them."""
    planes["G"] = planes["G1"] + planes["G2"]
    stack, halves = [fits.PrimaryHDU()], [fits.PrimaryHDU()]
    for name, both in planes.items():
        for hdus, mark, total in (
            (stack, "", both.sum(axis=0)),
            (halves, "_A", both[0]),
            (halves, "_B", both[1]),
        ):
            value, variance = finished(total)
            hdus += [fits.ImageHDU(value, name=f"{name}{mark}")]
            hdus += [fits.ImageHDU(variance, name=f"VAR_{name}{mark}")]
    fits.HDUList(stack).writeto(out / "stack.fits", overwrite=True)
    fits.HDUList(halves).writeto(out / "halves.fits", overwrite=True)


def job(nights: Path, out: Path, reference: str = "", pixfrac: float = 1.0, on_disk: bool = False) -> None:
    """Do the whole job; ``reference`` is the name of a light's file, the first if empty."""
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=out) as folder:
        work = Path(folder)
        frames = by_type(nights)
        made = masters(frames, work)
        print("masters made", flush=True)
        lights = prepared(frames["LIGHT"], made, work)
        del made
        best = next(light for light in lights if reference in ("", light.name))
        placed = [Placed(light, best) for light in lights]
        print("aligned", flush=True)

        def room(part: str, shape: tuple[int, int, int]) -> Float32:
            if on_disk:
                return np.lib.format.open_memmap(work / f"{part}.npy", "w+", np.float32, shape)
            return np.empty(shape, dtype=np.float32)

        planes = {}
        for index, name in enumerate(PLANES):
            planes[name] = sums(placed, index, pixfrac, room)
            print(f"{name} combined", flush=True)
        write(planes, out)


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("nights", type=Path)
    arguments.add_argument("--out", type=Path, required=True)
    arguments.add_argument("--reference", default="", help="file name of a light; the first if empty")
    arguments.add_argument("--pixfrac", type=float, default=1.0)
    arguments.add_argument("--on-disk", action="store_true", help="keep the frames of a plane in files")
    given = arguments.parse_args()
    job(given.nights, given.out, given.reference, given.pixfrac, given.on_disk)


if __name__ == "__main__":
    main()
