"""From brightness on the sky to electrons per second in each colour, through optics, filter and sensor."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core.abmag import ab_magnitudes
from fourlight.core.blur import air_mass
from fourlight.core.extinction import air_shape
from fourlight.core.moonlight import dark_nl, magnitude, moon_nl
from fourlight.core.passband import weights
from fourlight.core.spectra import LINES_NM, RAYLEIGH, black_body
from fourlight.sensor.filters import FILTERS, in_bands
from fourlight.sensor.response import WAVE_NM
from fourlight.sensor.sensors import sensor
from fourlight.simulate.scene import Scene
from fourlight.simulate.scene_sky import Night
from fourlight.sky.starcolours import SUN_B_V
from fourlight.sky.starspectra import of_colour, star_spectra

__all__ = ["Throughput", "sky_rates", "throughput"]

FloatArray = npt.NDArray[np.float64]

OPEN_NM = ((590.0, 420.0),)
"""What air and lenses pass (centre, width) where no filter bounds the light."""


@dataclass(frozen=True)
class Throughput:
    """Electrons per photon of the three colours (R, G, B), and the collecting area."""

    curves: FloatArray
    """(3, n) electrons per photon on `WAVE_NM`, optics, filter and sensor together."""
    area_cm2: float
    lines: Mapping[str, FloatArray]
    """(3,) the same at each of `LINES_NM` itself, where steps of `WAVE_NM` are too wide: between them a line near the
    edge of a band of 3 nm is 7 % off."""
    above: FloatArray | None = None
    """(3, n) the same above the air, where it has a colour; None: it has none."""

    @classmethod
    def of(cls, electrons: Callable[[FloatArray], FloatArray], area_cm2: float) -> Throughput:
        """Of what makes (3, n) electrons per photon of n wavelengths, nm."""
        at_lines = electrons(np.array(list(LINES_NM.values())))
        return cls(electrons(WAVE_NM), area_cm2, dict(zip(LINES_NM, at_lines.T, strict=True)))

    @property
    def effective_nm(self) -> FloatArray:
        """(3,) mean wavelength of detected photons of a flat spectrum."""
        weight = self.curves.sum(axis=1)
        centre = self.curves @ WAVE_NM / np.where(weight > 0, weight, 1.0)
        return np.where(weight > 0, centre, 550.0)

    @property
    def zero_points(self) -> FloatArray:
        """(3,) AB magnitude above the air of a star of the Sun's colour that gives one electron per second."""
        spectra = star_spectra()
        nearest = int(np.abs(np.where(spectra.usual, spectra.b_v, np.inf) - SUN_B_V).argmin())
        sun = np.interp(WAVE_NM, spectra.wave_nm, of_colour(SUN_B_V, nearest, spectra))
        curves = self.curves if self.above is None else self.above
        with np.errstate(divide="ignore"):
            electrons = self.curves @ (weights(WAVE_NM) * sun) * self.area_cm2
            return np.asarray(ab_magnitudes(WAVE_NM, curves, sun[None])[0] + 2.5 * np.log10(electrons))

    def star(self, temperature_k: float) -> FloatArray:
        """(3,) electrons per second of a star of V = 0 (black body, see `black_body`)."""
        return np.asarray(self.curves @ black_body(WAVE_NM, temperature_k) * self.area_cm2)

    def star_nm(self, temperature_k: float) -> FloatArray:
        """(3,) mean wavelength of the photons of such a star that are detected."""
        detected = self.curves * black_body(WAVE_NM, temperature_k)
        weight = detected.sum(axis=1)
        return np.where(weight > 0, detected @ WAVE_NM / np.where(weight > 0, weight, 1.0), 550.0)

    def continuum(self, mag_arcsec2: float, temperature_k: float) -> FloatArray:
        """(3,) electrons per second and square arcsecond of a surface of a V brightness."""
        return np.asarray(self.star(temperature_k) * 10.0 ** (-0.4 * mag_arcsec2))

    def line(self, name: str, rayleigh: float = 1.0) -> FloatArray:
        """(3,) electrons per second and square arcsecond of an emission line."""
        return np.asarray(self.lines[name] * (rayleigh * RAYLEIGH * self.area_cm2))


def throughput(scene: Scene) -> Throughput:
    """Light path of a scene, whose filter stands in the light that converges from its telescope."""
    optics = scene.optics
    area = np.pi / 4.0 * (optics.aperture_mm / 10.0) ** 2
    if not optics.air_colour:
        return Throughput.of(lambda wave_nm: _electrons(scene, wave_nm), area)
    mass = float(air_mass(90.0 - scene.nights[0].zenith_deg))
    light = Throughput.of(lambda wave_nm: _electrons(scene, wave_nm) * air_shape(wave_nm, mass), area)
    return replace(light, above=_electrons(scene, WAVE_NM))


def _electrons(scene: Scene, wave_nm: FloatArray) -> FloatArray:
    """(3, n) electrons per photon at the aperture, air without a colour included."""
    chosen, camera, optics = scene.filter, scene.camera, scene.optics
    named = FILTERS.get(chosen.name)
    if chosen.bands_nm:
        passed = in_bands(chosen.bands_nm).at(wave_nm, optics.beam)
    elif named and named.bands:
        passed = named.at(wave_nm, optics.beam)
    else:
        passed = in_bands(OPEN_NM).at(wave_nm)
    share = camera.peak_qe * chosen.transmission * optics.transmission
    return np.asarray(sensor(camera.sensor).at(wave_nm) * passed * share)


def sky_rates(light: Throughput, night: Night) -> FloatArray:
    """(3,) electrons per second and square arcsecond of the clear sky, Moon included.

    The dark part and the moonlit part have their own colours; brightness after Krisciunas & Schaefer 1991.
    """
    dark = magnitude(dark_nl(night.sky_mag, night.zenith_deg, night.extinction_mag))
    rates = light.continuum(dark, night.sky_temperature_k)
    if night.moon_phase_deg is None:
        return rates
    moon = moon_nl(
        night.moon_phase_deg,
        night.moon_zenith_deg,
        night.zenith_deg,
        night.moon_separation_deg,
        night.extinction_mag,
    )
    if moon > 0.0:
        rates = rates + light.continuum(magnitude(moon), night.moon_temperature_k)
    return rates
