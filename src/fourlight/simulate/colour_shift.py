"""Colours that fall beside each other on a frame: dispersion by the atmosphere, lateral colour of the optics."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core import maps
from fourlight.core.dispersion import spread_arcsec
from fourlight.simulate.scene import Scene
from fourlight.simulate.scene_sky import Night

__all__ = ["ColourShift", "colour_shift"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class ColourShift:
    """Where light of a wavelength falls on a frame, compared with green light."""

    zenith_deg: float
    """Zenith distance; 0 without dispersion."""
    towards_zenith: FloatArray
    """(2,) frame pixels per arcsec, x and y."""
    growth: float
    """Part by which the picture is larger per 100 nm of wavelength."""
    green_nm: float
    centre: FloatArray
    """(2,) of the frame, pixels."""

    def moved(self, x: FloatArray, y: FloatArray, wave_nm: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Places (frame pixels) of light that would fall on x, y if it were green; shapes broadcast."""
        wave = np.asarray(wave_nm, dtype=np.float64)
        up = spread_arcsec(wave, self.zenith_deg, self.green_nm)
        larger = self.growth * (wave - self.green_nm) / 100.0
        return (
            x + up * self.towards_zenith[0] + larger * (x - self.centre[0]),
            y + up * self.towards_zenith[1] + larger * (y - self.centre[1]),
        )

    def undone(self, wave_nm: float) -> FloatArray:
        """(2, 3) map from where light of a wavelength falls to where green light of the same origin falls."""
        origin = self.moved(np.zeros(1), np.zeros(1), wave_nm)
        larger = 1.0 + self.growth * (wave_nm - self.green_nm) / 100.0
        return maps.inverse(np.column_stack([larger * np.eye(2), np.concatenate(origin)]))


def colour_shift(
    scene: Scene, night: Night, turn_deg: float, progress: float, green_nm: float
) -> ColourShift:
    """Shift of a frame turned by ``turn_deg``; ``progress`` runs from 0 to 1 over the night."""
    pixel = scene.pixel_arcsec * night.scale
    seen = night.zenith_angle_deg is not None
    angle = (night.zenith_angle_deg or 0.0) + progress * night.zenith_turn_deg - turn_deg
    direction = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])
    centre = 0.5 * np.array([scene.camera.width_px - 1.0, scene.camera.height_px - 1.0])
    growth = scene.optics.lateral_colour
    return ColourShift(night.zenith_deg if seen else 0.0, direction / pixel, growth, green_nm, centre)
