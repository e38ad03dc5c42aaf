"""The camera: sensitivity of each sample, dark current and glow, and the way from electrons to ADU."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from fourlight.core.cfa import plane_map
from fourlight.simulate.scene import Scene

__all__ = ["Detector", "add_particles", "detector"]

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

_COLOUR_OF_PLANE = np.array([0, 1, 1, 2])


@dataclass(frozen=True)
class Detector:
    """One sensor with its faults; maps are (ny, nx)."""

    scene: Scene
    cell: npt.NDArray[np.int64]
    """(2, 2) colour index (0 R, 1 G, 2 B) of ``[y % 2, x % 2]``."""
    sensitivity: Float32Array
    """Share of light that counts: vignetting, dust, pixel variation, dead samples; near 1 in the centre."""
    dark_e_per_s: Float32Array
    """At the reference temperature, hot samples and glow left out."""
    hot_e_per_s: Float32Array
    """At the reference temperature, extra of the hot samples."""
    glow_e_per_s: Float32Array
    column_e: Float32Array
    """(nx,) fixed offset of each column."""
    dead: npt.NDArray[np.bool_]

    def dark_e(self, exposure_s: float, temperature_c: float) -> FloatArray:
        """Expected electrons without light. Hot samples warm up more slowly than the rest; glow does not."""
        camera = self.scene.camera
        warming = (temperature_c - camera.dark_reference_c) / camera.dark_doubling_c
        rate = self.dark_e_per_s * 2.0**warming + self.hot_e_per_s * 2.0 ** (warming / 1.5)
        return np.asarray((rate + self.glow_e_per_s) * exposure_s, dtype=np.float64)

    def read_out(self, electrons: FloatArray, rng: np.random.Generator) -> npt.NDArray[np.uint16]:
        """Frame in ADU from electrons: full well, read noise, gain, pedestal, rounding, converter range.

        Quantisation adds 1/12 ADU^2 to the variance.
        """
        camera = self.scene.camera
        held = np.minimum(electrons, camera.full_well_e)
        if camera.bend:
            held *= 1.0 - camera.bend * held / camera.full_well_e
        held += camera.read_noise_e * rng.standard_normal(held.shape, dtype=np.float32)
        held += self.column_e[None, :]
        adu = np.rint(held / camera.gain_e_per_adu + camera.offset_adu)
        return np.clip(adu, 0, 2**camera.adc_bits - 1).astype(np.uint16)

    @property
    def full_adu(self) -> float:
        """ADU of a full sample: full well or end of the converter, whichever comes first."""
        camera = self.scene.camera
        return min(2.0**camera.adc_bits - 1.0, camera.full_well_e / camera.gain_e_per_adu + camera.offset_adu)


def detector(scene: Scene) -> Detector:
    """The sensor of a scene; its faults depend on the seed only."""
    camera = scene.camera
    shape = (camera.height_px, camera.width_px)
    rng = np.random.default_rng(np.random.SeedSequence([scene.seed, 31]))
    dead = rng.random(shape) < camera.dead_share
    sensitivity = _vignetting(scene) * _dust_motes(scene, rng)
    sensitivity *= 1.0 + camera.prnu * rng.standard_normal(shape)
    sensitivity[dead] *= rng.uniform(0.0, 0.5, int(dead.sum()))
    hot = (
        np.where(rng.random(shape) < camera.hot_share, rng.exponential(1.0, shape), 0.0) * camera.hot_e_per_s
    )
    dark = camera.dark_e_per_s * np.exp(0.15 * rng.standard_normal(shape))
    y, x = np.ogrid[: shape[0], : shape[1]]
    glow = camera.glow_e_per_s * np.exp(-np.hypot(shape[1] - 1 - x, y) / camera.glow_px)
    columns = camera.column_offset_e * rng.standard_normal(shape[1])
    return Detector(
        scene,
        _COLOUR_OF_PLANE[plane_map(camera.mosaic)],
        np.maximum(sensitivity, 0.0).astype(np.float32),
        dark.astype(np.float32),
        hot.astype(np.float32),
        glow.astype(np.float32),
        columns.astype(np.float32),
        dead,
    )


def _vignetting(scene: Scene) -> FloatArray:
    ny, nx = scene.camera.height_px, scene.camera.width_px
    y, x = np.ogrid[:ny, :nx]
    r2 = (x - 0.5 * (nx - 1)) ** 2 + (y - 0.5 * (ny - 1)) ** 2
    return np.asarray(1.0 - scene.optics.vignetting * r2 / (0.25 * (nx**2 + ny**2)))


def _dust_motes(scene: Scene, rng: np.random.Generator) -> FloatArray:
    """Ring-shaped shadows: dust out of focus under an obstructed or round pupil."""
    ny, nx = scene.camera.height_px, scene.camera.width_px
    light = np.ones((ny, nx))
    y, x = np.ogrid[:ny, :nx]
    for _ in range(scene.optics.dust_motes):
        cx, cy = rng.uniform(0, nx), rng.uniform(0, ny)
        radius, depth = rng.uniform(0.012, 0.035) * ny, rng.uniform(0.01, 0.05)
        r = np.hypot(x - cx, y - cy) / radius
        light *= 1.0 - depth * expit((1.0 - r) * 12.0) * (0.6 + 0.4 * np.clip(r, 0.0, 1.0) ** 2)
    return light


def add_particles(scene: Scene, electrons: FloatArray, exposure_s: float, rng: np.random.Generator) -> int:
    """Add tracks of cosmic rays and other particles in place; return how many."""
    camera = scene.camera
    ny, nx = electrons.shape
    area_cm2 = ny * nx * (camera.pixel_um * 1e-4) ** 2
    count = int(rng.poisson(camera.cosmic_rays_per_cm2_s * area_cm2 * exposure_s))
    for _ in range(count):
        length, angle = 1.0 + rng.exponential(3.0), rng.uniform(0.0, 2.0 * np.pi)
        charge = 400.0 * (1.0 + rng.exponential(1.5))
        steps = np.arange(0.0, length, 0.5)
        x = np.rint(rng.uniform(0, nx - 1) + steps * np.cos(angle)).astype(int)
        y = np.rint(rng.uniform(0, ny - 1) + steps * np.sin(angle)).astype(int)
        inside = (x >= 0) & (x < nx) & (y >= 0) & (y < ny)
        np.add.at(electrons, (y[inside], x[inside]), 0.5 * charge)
    return count
