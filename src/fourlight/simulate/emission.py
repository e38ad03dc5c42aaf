"""The object in electrons: shapes, line and continuum brightness, dust and light path brought together."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from fourlight.core.spectra import HALPHA_OVER_HBETA, LINES_NM, NII_WEAK, OIII_WEAK, dust_law
from fourlight.simulate.light import Throughput
from fourlight.simulate.nebula import Shapes, shapes
from fourlight.simulate.resample import Canvas
from fourlight.simulate.scene import Scene

__all__ = ["Emission", "emission"]

FloatArray = npt.NDArray[np.float64]

_BAND_ROWS = 128
"""Rows of the object drawn at a time, so that memory does not grow with the frame."""


@dataclass(frozen=True)
class Emission:
    """Object without stars on the canvas: electrons per second, per truth pixel and colour."""

    rate: npt.NDArray[np.float32]
    """(3, ny, nx) R, G, B; no point spread."""
    canvases: tuple[Canvas, ...]
    """The same, transformed, one per colour."""
    dust_mag: npt.NDArray[np.float32]
    x0: int
    y0: int


def emission(scene: Scene, light: Throughput, box: tuple[int, int, int, int]) -> Emission:
    """Render the object over a box of the truth grid.

    Parameters
    ----------
    scene : Scene
    light : Throughput
    box : (x0, y0, nx, ny)
        Corner and size; the corner is negative where the canvas reaches beyond the reference frame.
    """
    x0, y0, nx, ny = box
    rate = np.empty((3, ny, nx), dtype=np.float32)
    dust = np.empty((ny, nx), dtype=np.float32)

    def draw(top: int) -> None:
        rows = slice(top, min(ny, top + _BAND_ROWS))
        rate[:, rows], dust[rows] = _band(scene, light, x0, nx, y0 + rows.start, y0 + rows.stop)

    with ThreadPoolExecutor(min(os.cpu_count() or 1, 4)) as pool:
        list(pool.map(draw, range(0, ny, _BAND_ROWS)))
    canvases = tuple(Canvas(fft.rfft2(plane, workers=1), ny, nx, x0, y0) for plane in rate)
    return Emission(rate, canvases, dust, x0, y0)


def _band(
    scene: Scene, light: Throughput, x0: int, nx: int, top: int, bottom: int
) -> tuple[FloatArray, FloatArray]:
    """Electrons per second and truth pixel, and dust, of some rows; one row more on each side for slopes."""
    height, width = scene.camera.height_px, scene.camera.width_px
    v, u = np.mgrid[top - 1 : bottom + 1, x0 : x0 + nx].astype(np.float64)
    maps = shapes(scene.object, (u - 0.5 * (width - 1)) / height, (v - 0.5 * (height - 1)) / height)
    rate = _electrons(scene, light, maps) * scene.pixel_arcsec**2
    return rate[:, 1:-1], maps.dust_mag[1:-1]


def _electrons(scene: Scene, light: Throughput, maps: Shapes) -> FloatArray:
    """(3, ny, nx) electrons per second and square arcsecond."""
    chosen = scene.object
    halpha, oiii = chosen.halpha_rayleigh, chosen.halpha_rayleigh * chosen.oiii_ratio
    nii, sii = halpha * chosen.nii_ratio, halpha * chosen.sii_ratio
    lines = [
        (maps.halpha, (("halpha", halpha), ("nii", nii), ("nii_weak", nii * NII_WEAK))),
        (maps.halpha, (("hbeta", halpha / HALPHA_OVER_HBETA),)),
        (maps.oiii, (("oiii", oiii), ("oiii_weak", oiii * OIII_WEAK))),
        (maps.sii, (("sii", sii * 0.57), ("sii_strong", sii * 0.43))),
    ]
    total = np.zeros((3, *maps.halpha.shape))
    for shape, group in lines:
        dim = 10.0 ** (-0.4 * float(dust_law(LINES_NM[group[0][0]])) * maps.dust_mag)
        rates = np.sum([light.line(name, value) for name, value in group], axis=0)
        total += rates[:, None, None] * (shape * dim)
    for shape, mag, temperature in (
        (maps.reflection, chosen.reflection_mag, chosen.reflection_temperature_k),
        (maps.starlight, chosen.starlight_mag, 4500.0),
    ):
        for k, rate in enumerate(light.continuum(mag, temperature)):
            law = float(dust_law(float(light.effective_nm[k])))
            total[k] += rate * shape * 10.0 ** (-0.4 * law * maps.dust_mag)
    return total
