"""First half of the job by general libraries: masters, calibrated lights with uncertainty, their stars and sky."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import ccdproc
import numpy as np
import numpy.typing as npt
import sep
from astropy import units as u
from astropy.io import fits
from astropy.nddata import CCDData
from astropy.stats import mad_std

__all__ = ["PLANES", "Light", "Masters", "by_type", "masters", "places", "prepared"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

PLANES = {"R": (0, 0), "G1": (0, 1), "G2": (1, 0), "B": (1, 1)}
"""First row and column of each plane of an RGGB mosaic."""
FULL_ADU = 60000
APERTURE_PX, RING_PX = 5.0, (8.0, 11.0)
"""Where light of stars is compared and the sky around them, pixels of a plane."""
COMBINE: dict[str, Any] = {
    "method": "average", "sigma_clip": True, "sigma_clip_low_thresh": 5, "sigma_clip_high_thresh": 5,
    "sigma_clip_func": "median", "sigma_clip_dev_func": "mad_std", "dtype": "float32", "mem_limit": 4e9,
}  # fmt: skip
"""The two names, in place of functions, make astropy clip by its compiled code."""


@dataclass(frozen=True, slots=True)
class Masters:
    """What calibrates the lights."""

    bias: CCDData
    dark: CCDData
    """Without the bias."""
    flat: CCDData
    """1 where the optics lose no light, each plane by itself."""
    read_noise_adu: float


@dataclass(frozen=True, slots=True)
class Light:
    """What is known of one calibrated light; its planes lie in a file."""

    name: str
    file: Path
    """(4, 2, ny / 2, nx / 2) float32: electrons and their variance per plane, NaN where a sample is bad."""
    xy: Float64
    """(n, 2) stars, brightest first, pixels of the mosaic."""
    flux: Float64
    """(n,) light of the stars in all planes, which together miss none of it; NaN where a sample is bad."""
    sky: Float64
    """(4, 16, 16) sky at `places`."""
    variance: Float64
    """(4,) usual variance of a sample."""
    shape: tuple[int, int]


def by_type(nights: Path) -> dict[str, list[Path]]:
    """Frames by what their headers say they are, in order of time."""
    found: dict[str, list[tuple[str, Path]]] = {}
    for path in nights.rglob("*.fits"):
        header = fits.getheader(path)
        found.setdefault(header["IMAGETYP"], []).append((header.get("DATE-OBS", ""), path))
    return {kind: [path for _, path in sorted(rows)] for kind, rows in found.items()}


def masters(frames: dict[str, list[Path]], work: Path) -> Masters:
    """Clipped means of bias frames, darks and flats."""
    first, second = (fits.getdata(path).astype("float32") for path in frames["BIAS"][:2])
    read_noise = float(mad_std(first - second)) / np.sqrt(2)
    bias = ccdproc.combine(frames["BIAS"], unit="adu", **COMBINE)
    dark = ccdproc.subtract_bias(ccdproc.combine(frames["DARK"], unit="adu", **COMBINE), bias)
    dark.meta["EXPTIME"] = fits.getval(frames["DARK"][0], "EXPTIME")
    files = []
    for k, path in enumerate(frames["FLAT"]):
        one = ccdproc.subtract_bias(CCDData.read(path, unit="adu"), bias)
        one.data, one.uncertainty = one.data.astype("float32"), None
        files.append(work / f"flat_{k:03d}.fits")
        one.write(files[-1], overwrite=True)
    flat = ccdproc.combine(files, scale=_over_median, **COMBINE)
    for y, x in PLANES.values():
        level = _brightest(flat.data[y::2, x::2])
        flat.data[y::2, x::2] /= level
        flat.uncertainty.array[y::2, x::2] /= level
    return Masters(bias, dark, flat, read_noise)


def _over_median(data: Float32) -> float:
    return float(1 / np.median(data))


def _brightest(plane: Float32) -> float:
    """Level of a plane of the flat where the optics lose no light."""
    return float(np.percentile(sep.Background(np.ascontiguousarray(plane), bw=32, bh=32).back(), 99))


def _calibrated(path: Path, made: Masters) -> CCDData:
    """One light in electrons, with uncertainty and mask."""
    raw = CCDData.read(path, unit="adu")
    gain = raw.header["EGAIN"] * u.electron / u.adu
    read_noise = made.read_noise_adu * u.adu * gain
    full = raw.data > FULL_ADU
    light = ccdproc.subtract_bias(raw, made.bias)
    light = ccdproc.create_deviation(light, gain=gain, readnoise=read_noise, disregard_nan=True)
    light = ccdproc.subtract_dark(light, made.dark, exposure_time="EXPTIME", exposure_unit=u.second)
    light = ccdproc.gain_correct(light, gain)
    light = ccdproc.flat_correct(light, made.flat, norm_value=1)
    light.mask = full
    return light


def _defects(made: Masters) -> npt.NDArray[np.bool_]:
    dark = made.dark.data
    return (dark > np.median(dark) + 10 * mad_std(dark)) | (made.flat.data < 0.3)


def prepared(lights: list[Path], made: Masters, work: Path) -> list[Light]:
    """Calibrate and measure every light, one after another."""
    defects, out = _defects(made), []
    for k, path in enumerate(lights):
        light = _calibrated(path, made)
        variance = np.where(light.mask | defects, np.nan, light.uncertainty.array**2)
        planes = np.array(
            [(light.data[y::2, x::2], variance[y::2, x::2]) for y, x in PLANES.values()], dtype=np.float32
        )
        file = work / f"light_{k:03d}.npy"
        np.save(file, planes)
        out.append(_measured(path.name, file, planes, light.shape))
        print(f"{path.name} calibrated, {len(out[-1].xy)} stars", flush=True)
    return out


def _measured(name: str, file: Path, planes: Float32, shape: tuple[int, int]) -> Light:
    """Stars on the mean of both greens, their light in all planes, and the sky of each."""
    mask = np.isnan(planes[:, 1])
    backs = [sep.Background(plane[0], mask=bad) for plane, bad in zip(planes, mask, strict=True)]
    skies = [back.back() for back in backs]
    clean = [plane[0] - sky for plane, sky in zip(planes, skies, strict=True)]
    # Both greens together are balanced: what red and blue would add pulls coloured stars to their own samples.
    picture = (clean[1] + clean[2]) / 2
    noise = float(np.hypot(backs[1].globalrms, backs[2].globalrms)) / 2
    found = sep.extract(picture, 5, err=noise, mask=mask[1] | mask[2])
    found = found[found["flag"] == 0]
    found = found[np.argsort(-found["flux"])]
    width = 2 * np.sqrt(np.log(2) * (found["a"] ** 2 + found["b"] ** 2))
    x, y, flag = sep.winpos(picture, found["x"], found["y"], np.full(len(found), np.median(width) / 2.355))
    x, y = x[flag == 0], y[flag == 0]
    flux = [
        sep.sum_circle(np.where(bad, np.nan, plane), x, y, APERTURE_PX, bkgann=RING_PX)[0]
        for plane, bad in zip(clean, mask, strict=True)
    ]
    rows, columns = places(shape)
    return Light(
        name,
        file,
        # A mean of 2 x 2 samples stands half a pixel from the first of them.
        np.column_stack([2 * x + 0.5, 2 * y + 0.5]),
        np.sum(flux, axis=0),
        np.array([sky[rows // 2, columns // 2] for sky in skies]),
        np.nanmedian(planes[:, 1], axis=(1, 2)),
        shape,
    )


def places(shape: tuple[int, int]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Rows and columns (16, 16) at which sky levels are compared."""
    rows, columns = (np.linspace(0, size - 1, 16).astype(int) for size in shape)
    return tuple(np.meshgrid(rows, columns, indexing="ij"))
