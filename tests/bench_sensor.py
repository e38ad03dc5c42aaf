"""An invented sensor for tests of the photon transfer, and its frames as FITS files."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from astropy.io import fits

from fourlight.frames import RawFrame
from fourlight.io.pixels import open_pixels
from fourlight.io.scan import scan

Image = npt.NDArray[np.float64]
BENCH_GAIN, BENCH_READ = 1.5, 3.0
BENCH_LEVELS = [1500.0, 6000.0, 12000.0, 20000.0, 28000.0, 36000.0, 50000.0, 66000.0, 90000.0]


@dataclass
class Sensor:
    """A sensor with vignetting, response that differs from sample to sample, and colours."""

    seed: int
    gain: float = 1.5
    read: float = 3.0
    zero: float = 400.0
    shape: tuple[int, int] = (240, 320)
    full: float = 60000.0
    prnu: float = 0.006
    dsnu: float = 0.0
    vignetting: float = 0.25
    bend: float = 0.0
    """Part of the electrons of a full sample that are missing; of fewer in proportion."""
    colours: Sequence[float] = (0.6, 1.0, 1.0, 0.5)
    rng: np.random.Generator = field(init=False)
    response: Image = field(init=False)
    fixed: Image = field(init=False)

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)
        ny, nx = self.shape
        y, x = np.mgrid[:ny, :nx]
        far = ((y - ny / 2) ** 2 + (x - nx / 2) ** 2) / (ny**2 / 4 + nx**2 / 4)
        self.response = (1 - self.vignetting * far) * self.rng.normal(1.0, self.prnu, self.shape)
        for place, colour in enumerate(self.colours):
            self.response[place // 2 :: 2, place % 2 :: 2] *= colour
        self.fixed = self.rng.normal(0.0, self.dsnu, self.shape)

    def expose(self, electrons: float, dark: Image | float = 0.0) -> npt.NDArray[np.uint16]:
        """A frame; ``electrons`` in the middle of a place of colour 1."""
        mean = electrons * self.response + dark
        held = np.minimum(self.rng.poisson(np.maximum(mean, 0.0)), self.full) + self.fixed
        held = held * (1 - self.bend * held / self.full)
        adu = np.rint((held + self.rng.normal(0.0, self.read, self.shape)) / self.gain + self.zero)
        return np.clip(adu, 0, 65535).astype(np.uint16)


def put(
    path: Path, image: npt.NDArray[Any], role: str | None, exposure_s: float | None, **cards: Any
) -> None:
    """Write a frame; cards of None are left out."""
    path.parent.mkdir(parents=True, exist_ok=True)
    unit = fits.PrimaryHDU(image)
    number = len(list(path.parent.iterdir()))
    told = {
        "IMAGETYP": role, "EXPTIME": exposure_s, "GAIN": 100, "OFFSET": 40, "CCD-TEMP": -10.0, "BAYERPAT": "RGGB",
        "INSTRUME": "bench", "DATE-OBS": f"2031-05-06T{number // 60:02d}:{number % 60:02d}:00",
    }  # fmt: skip
    told.update({name.replace("_", "-"): value for name, value in cards.items()})
    unit.header.update({name: value for name, value in told.items() if value is not None})
    unit.writeto(path)


def put_flats(folder: Path, sensor: Sensor, levels: Sequence[float], each: int = 2, **cards: Any) -> None:
    """Flats of a lamp that gives 1000 electrons a second."""
    for level in levels:
        for _ in range(each):
            name = folder / f"f{len(list(folder.glob('*'))):03d}.fits"
            put(name, sensor.expose(level), "FLAT", level / 1000, **cards)


def put_bias(folder: Path, sensor: Sensor, count: int, **cards: Any) -> None:
    """Bias frames."""
    for k in range(count):
        put(folder / f"b{k:03d}.fits", sensor.expose(0.0), "BIAS", 0.0, **cards)


def frames_of(folder: Path) -> list[RawFrame]:
    """Frames of a folder as the program reads them."""
    return list(scan([folder]).frames)


def open_source(frame: RawFrame) -> Any:
    """Samples of a frame."""
    return open_pixels(frame, None)


def put_bench(folder: Path) -> None:
    """Flats up to beyond saturation, bias frames and darks of two temperatures."""
    sensor = Sensor(31, gain=BENCH_GAIN, read=BENCH_READ, shape=(160, 200), full=40000.0)
    put_flats(folder / "flats", sensor, BENCH_LEVELS)
    put_bias(folder / "bias", sensor, 8)
    hot = np.full(sensor.shape, 1.0)
    hot[50, 60] = 200.0
    for k, (t, warm) in enumerate([(-10.0, 4.0), (0.0, 12.0)] * 4):
        put(folder / "darks" / f"{k}.fits", sensor.expose(0.0, warm * hot), "DARK", 100.0, CCD_TEMP=t)


def some(bench: Path, to: Path, *parts: str) -> Path:
    """Copies of some folders of a bench."""
    for part in parts:
        shutil.copytree(bench / part, to / part)
    return to
