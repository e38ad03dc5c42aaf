"""Frames of a simulated sensor whose gain, read noise, dark signal, response and hot samples are known."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.frames import RawFrame, Role
from fourlight.io.mapping import HeldPixels
from fourlight.io.pixels import PixelSource
from fourlight.recipe import Calibrate, Read
from fourlight.stages.calibrate import Calibration, prepare

SHAPE = (240, 320)
GAIN, READ, PEDESTAL, SKY = 0.8, 1.5, 500.0, 120.0


class Night:
    """Frames of one sensor: 0.3 vignetting, 1 % PRNU, RGGB sky, 0.1 % hot samples of 1 to 30 e/s."""

    def __init__(self) -> None:
        self.rng = rng = np.random.default_rng(1)
        y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
        radius = ((y / SHAPE[0] - 0.5) ** 2 + (x / SHAPE[1] - 0.5) ** 2) * 2
        self.response = (1 - 0.3 * radius) * rng.normal(1, 0.01, SHAPE)
        self.colour = np.where((y % 2 == 0) & (x % 2 == 0), 0.6, np.where((y % 2) & (x % 2), 0.5, 1.0))
        self.dark_e = np.full(SHAPE, 0.01)
        self.hot = rng.random(SHAPE) < 0.001
        self.dark_e[self.hot] += 10 ** rng.uniform(0, 1.5, int(self.hot.sum()))
        self.frames: dict[tuple[Path, int], npt.NDArray[np.uint16]] = {}
        self.lights: list[RawFrame] = []
        self.rest: list[RawFrame] = []

    def add(self, role: Role, count: int, light_e: float, exposure_s: float, **facts: Any) -> list[RawFrame]:
        made = []
        for _ in range(count):
            electrons = self.rng.poisson(light_e * self.colour * self.response + self.dark_e * exposure_s)
            adu = (electrons + self.rng.normal(0, READ, SHAPE)) / GAIN + PEDESTAL
            known: dict[str, Any] = {"gain_setting": 100.0, "temperature_c": -10.0, "saturation_adu": 65535.0}
            path = Path(f"{role}-{len(self.frames):03}.fits")
            frame = RawFrame(path, 0, *SHAPE, role, "header", exposure_s=exposure_s, **(known | facts))
            self.frames[path, 0] = np.clip(np.rint(adu), 0, 65535).astype(np.uint16)
            made.append(frame)
        (self.lights if role is Role.LIGHT else self.rest).extend(made)
        return made

    def open(self, frame: RawFrame) -> PixelSource:
        return HeldPixels(self.frames[frame.path, frame.hdu])

    def prepare(self, work: Path, settings: Calibrate | None = None, **read: float) -> Calibration:
        return prepare(self.lights, self.rest, self.open, "RGGB", settings or Calibrate(), Read(**read), work)


def two_nights() -> Night:
    """Four lights, and four of a night whose sky is four times as bright."""
    made = Night()
    made.add(Role.LIGHT, 4, SKY, 180.0, night="2031-03-01")
    made.add(Role.LIGHT, 4, 4 * SKY, 180.0, night="2031-03-02")
    return made


def image_of(calibration: Calibration, frame: RawFrame) -> npt.NDArray[np.float32]:
    return calibration.open(frame).read(0, SHAPE[0], 0, SHAPE[1])
