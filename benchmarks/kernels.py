"""Drops against the drizzle package, and rejection against astropy's clipping, on the same samples."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import numpy.typing as npt
from astropy.stats import mad_std, sigma_clip
from clocks import in_turns
from drizzle.resample import Drizzle

from fourlight.core import bends, cfa, drizzle, maps, overlap
from fourlight.recipe import Integrate
from fourlight.stages import tile_samples
from fourlight.stages.drops import Drops
from fourlight.stages.geometry import BYTES_PER_SAMPLE, samples_beneath, tiles

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from fields import frame_table, turned

__all__ = ["drops", "rejection"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

PATTERN = "RGGB"
LEVEL, NOISE = 500.0, 12.0
PIXFRAC = 0.7
RED = 0
INNER = np.s_[12:-12, 12:-12]


class _Night:
    """Noisy frames of a sky, dithered and turned."""

    def __init__(self, frames: int, shape: tuple[int, int]) -> None:
        rng = np.random.default_rng(1)
        self.shape, self.cell = shape, cfa.plane_map(PATTERN)
        middle = ((shape[1] - 1) / 2, (shape[0] - 1) / 2)
        # Turned by a little, the later half by half a turn more, as after a meridian flip.
        self.matrices = np.array(
            [
                turned(0.1 + 180.0 * (k >= frames / 2), 1.0, tuple(rng.uniform(-8, 8, 2)), middle)
                for k in range(frames)
            ]
        )
        self.images = rng.normal(LEVEL, NOISE, (frames, *shape)).astype(np.float32)


def ours(night: _Night, tables: list[Float32]) -> tuple[Float32, Float32]:
    """Values and weights of the red plane by our drops; sums that its variance needs come with them."""
    ny, nx = night.shape
    sums = np.zeros((ny, nx, 4), dtype=np.float32)
    variance = np.full(night.shape, NOISE**2, dtype=np.float32)
    nothing, level = np.zeros(night.shape, dtype=np.float32), np.full(night.shape, LEVEL, dtype=np.float32)
    good = np.zeros(night.shape, dtype=np.int8)
    for k, (image, matrix) in enumerate(zip(night.images, night.matrices, strict=True)):
        table = tables[2 * k // len(night.images)]
        drizzle.deposit_values(
            image,
            variance,
            nothing,
            good,
            0,
            0,
            bends.straight(matrix),
            night.cell,
            RED,
            table,
            1.0,
            LEVEL,
            1.0,
            0.0,
            level,
            0,
            0,
            sums,
        )
    with np.errstate(divide="ignore", invalid="ignore"):
        return sums[..., 0] / sums[..., 1], sums[..., 1]


class Package:
    """The same by the drizzle package, fed with the red samples alone as a picture of half the size."""

    def __init__(self, night: _Night) -> None:
        self.night = night
        y, x = np.mgrid[: night.shape[0] : 2, : night.shape[1] : 2].astype(float)
        # What the package needs of every frame beside its samples is made beforehand, and not counted.
        self.pixmaps = [np.stack(maps.apply(matrix, x, y), axis=-1) for matrix in night.matrices]
        self.images = [np.ascontiguousarray(image[::2, ::2]) for image in night.images]
        self.weight = np.full(self.images[0].shape, 1 / NOISE**2, dtype=np.float32)
        self.variance = np.full(self.images[0].shape, NOISE**2, dtype=np.float32)

    def stacked(self, *, variance: bool) -> tuple[Float32, Float32]:
        """Values and weights; with the variance of each pixel if wanted."""
        driz = Drizzle(kernel="square", out_shape=self.night.shape, fillval="nan", disable_ctx=True)
        for image, pixmap in zip(self.images, self.pixmaps, strict=True):
            driz.add_image(
                image,
                1.0,
                pixmap,
                data2=self.variance if variance else None,
                weight_map=self.weight,
                pixfrac=PIXFRAC / 2,
                in_units="cps",
            )
        return driz.out_img, driz.out_wht


def drops(frames: int = 8, shape: tuple[int, int] = (1000, 1500)) -> dict[str, float]:
    """Time per sample of both, ns, and how far their red planes are apart in sigma (99 of 100 pixels)."""
    night = _Night(frames, shape)
    package = Package(night)
    overlap.overlap_table(night.matrices[0, :, :2], PIXFRAC)  # loads the kernel
    start = time.process_time()
    tables = [overlap.overlap_table(night.matrices[k, :, :2], PIXFRAC) for k in (0, -1)]
    table_ms = 1e3 * (time.process_time() - start) / len(tables)
    least, found = in_turns(
        {
            "ours": lambda: ours(night, tables),
            "package": lambda: package.stacked(variance=False),
            "package with variance": lambda: package.stacked(variance=True),
        }
    )
    samples = night.images[:, ::2, ::2].size
    (value, weight), (other, _) = found["ours"], found["package"]
    # Thin pixels, which a drop touches by a corner only, are decided by rounding of its place.
    good = (weight > 0.02 * np.median(weight[weight > 0]))[INNER]
    sigma = 1 / np.sqrt(weight[INNER][good])
    apart = np.abs(value[INNER][good] - other[INNER][good]) / sigma
    out = {f"{name}, ns": 1e9 * time / samples for name, time in least.items()}
    return out | {
        "apart, sigma": float(np.percentile(apart, 99)),
        "samples": float(samples),
        "table, ms": table_ms,
    }


def _judged(night: _Night) -> npt.NDArray[np.bool_]:
    """Our rejection mask of all frames, tile by tile as in a run."""
    table = frame_table(night.matrices, night.shape, noise=np.full(4, NOISE), level=LEVEL, pattern=PATTERN)
    out = np.zeros(night.images.shape, dtype=np.bool_)

    def read(f: int, y0: int, y1: int, x0: int, x1: int) -> tuple[Float32, Float32]:
        return night.images[f, y0:y1, x0:x1], np.empty((0, 0), dtype=np.float32)

    each = BYTES_PER_SAMPLE * samples_beneath(table) + Drops.FIXED_BYTES
    for tile in tiles(night.shape, each):
        found = tile_samples.load(tile, table, read)
        ref = tile_samples.reference(found, table)
        tile_samples.reject(found, table, ref, Integrate())
        for k, f in enumerate(found.frames):
            y0, x0 = found.origin(k)
            mask = found.bad[k]
            out[f, y0 : y0 + mask.shape[0], x0 : x0 + mask.shape[1]] |= mask.astype(np.bool_)
    return out


def rejection(frames: int = 24, shape: tuple[int, int] = (1000, 1500)) -> dict[str, float]:
    """Time per sample, ns, of our rejection and of astropy's clipping by median and MAD of the same cube.

    Ours does more: frames are placed by their maps, and every pixel of the stack gets a reference in each of the four
    planes; astropy compares samples that lie on each other in the array.
    """
    night = _Night(frames, shape)
    rows = 64
    some = night.images[:, :rows].copy()

    def clipped(cube: Float32, deviation: object) -> npt.NDArray[np.bool_]:
        done = sigma_clip(
            cube, sigma=4.5, maxiters=1, cenfunc="median", stdfunc=deviation, axis=0, copy=False
        )
        return np.ma.getmaskarray(done)

    least, _ = in_turns(
        {
            "ours": lambda: _judged(night),
            "astropy, compiled": lambda: clipped(night.images, "mad_std"),
        }
    )
    slow, _ = in_turns({"astropy, by function": lambda: clipped(some, mad_std)}, 1)
    size = night.images.size
    out = {f"{name}, ns": 1e9 * time / size for name, time in least.items()}
    return out | {f"{name}, ns": 1e9 * time / some.size for name, time in slow.items()}
