"""Camera, filter and optics together: electrons per second and pixel from skies, surfaces, lines and stars."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import COLOURS
from fourlight.core.passband import mean_nm, weights
from fourlight.core.snr import peak_share
from fourlight.core.spectra import RAYLEIGH, black_body
from fourlight.sensor.chip import Chip
from fourlight.sensor.filters import Filter
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.mixing import Mixing, mixing_matrix
from fourlight.sensor.optics import Optics
from fourlight.sensor.response import MONO, Response

__all__ = ["DARK_SKY_K", "MOONLIT_SKY_K", "SAMPLES", "Rig"]

Float64 = npt.NDArray[np.float64]

DARK_SKY_K, MOONLIT_SKY_K = 4400.0, 8000.0
"""Colours of the dark sky (B-V of 0.9, Krisciunas 1997) and of moonlight in it, as temperatures of black bodies."""
SAMPLES: Float64 = np.array([0.25, 0.5, 0.25])
"""Part of the pixels that is red, green and blue."""


@dataclass(frozen=True)
class Rig:
    """What light passes until it is counted; vectors of three are red, green and blue, of one without dyes."""

    response: Response
    filter: Filter
    optics: Optics
    chip: Chip

    @property
    def channels(self) -> tuple[str, ...]:
        """Those that its pixels are of; one where no dyes stand before them."""
        return MONO if self.response.channels == MONO else COLOURS

    @property
    def samples(self) -> Float64:
        """(c,) part of the pixels that is of each channel."""
        return np.ones(1) if self.channels == MONO else SAMPLES

    @cached_property
    def path(self) -> LightPath:
        """Camera behind the filter in the light of these optics."""
        return LightPath(self.response.seen_by(self.channels), self.filter, self.optics.beam)

    @cached_property
    def _curves(self) -> tuple[Float64, Float64]:
        """Wavelengths, and (3, n) electrons per photon at the aperture times the step between wavelengths."""
        wave = self.path.grid()
        return wave, self.path.at(wave) * weights(wave) * self.passed

    @property
    def efficiency(self) -> float:
        """Electrons per photon where the curves of the camera are 1."""
        return 1.0 if self.response.scale == "absolute" else self.chip.peak_efficiency

    @property
    def passed(self) -> float:
        """The same of a photon at the aperture, before the filter."""
        return self.efficiency * self.optics.transmission

    @property
    def pixel_arcsec(self) -> float:
        """Side of a pixel on the sky."""
        return self.optics.scale_arcsec(self.chip.pixel_um)

    def star(self, mag: float, temperature_k: float) -> Float64:
        """(3,) electrons per second of a star of a V magnitude, above the air, all its light on one colour."""
        wave, curves = self._curves
        return np.asarray(
            curves @ black_body(wave, temperature_k) * self.optics.area_cm2 * 10 ** (-0.4 * mag)
        )

    def surface(self, mag_arcsec2: float, temperature_k: float) -> Float64:
        """(3,) electrons per second of a pixel of each colour from a surface of a V brightness."""
        return self.star(mag_arcsec2, temperature_k) * self.pixel_arcsec**2

    def sensed(self, photons: Float64) -> tuple[Float64, Float64]:
        """Electrons per second of a pixel from surfaces of given spectra, and how they may be off with the curves.

        Parameters
        ----------
        photons : (n, q) float64
            Photons s-1 cm-2 nm-1 arcsec-2 at each wavelength of ``path.grid()``.

        Returns
        -------
        values : (c, q) float64
        modes : (m, c, q) float64
            One standard deviation of each error of the curves.
        """
        wave = self.path.grid()
        scale = self.passed * self.optics.area_cm2 * self.pixel_arcsec**2
        share = (weights(wave) * self._filtered)[:, None] * photons * scale
        response = self.path.response
        return response.at(wave) @ share, np.asarray(response.modes_at(wave) @ share)

    @cached_property
    def _filtered(self) -> Float64:
        """(n,) what the filter passes on the grid."""
        return self.filter.at(self.path.grid(), self.optics.beam)

    def sky(self, dark_mag: float, moonlit_mag: float | None = None) -> Float64:
        """(3,) electrons per second of a pixel of the sky; ``moonlit_mag`` is what the Moon adds, by itself."""
        rate = self.surface(dark_mag, DARK_SKY_K)
        return rate if moonlit_mag is None else rate + self.surface(moonlit_mag, MOONLIT_SKY_K)

    def lines(self, columns: tuple[str, ...]) -> Mixing:
        """What a pixel counts of a photon of each kind of line, see `fourlight.sensor.mixing`."""
        if columns not in self._mixings:
            self._mixings[columns] = mixing_matrix(self.path, columns)
        return self._mixings[columns]

    @cached_property
    def _mixings(self) -> dict[tuple[str, ...], Mixing]:
        """Those asked for so far: each takes a moment."""
        return {}

    def line_rates(self, rayleigh: Mapping[str, float]) -> Float64:
        """(3, k) electrons per second of a pixel of each colour from lines of such brightness."""
        names = tuple(rayleigh)
        photons = np.array([rayleigh[name] for name in names]) * RAYLEIGH * self.optics.area_cm2
        return np.asarray(self.lines(names).values * photons * self.pixel_arcsec**2 * self.passed)

    @cached_property
    def mean_nm(self) -> Float64:
        """(3,) mean wavelength of what each colour counts of even light; NaN where it counts none."""
        wave = self.path.grid()
        return np.array([mean_nm(wave, curve) for curve in self.path.at(wave)])

    def full_star_mag(
        self,
        sub_s: float,
        fwhm_arcsec: float,
        sky_e_s: Float64,
        *,
        passed: float = 1.0,
        temperature_k: float = 6000.0,
    ) -> Float64:
        """(3,) V of stars whose middle pixel is just full in a sub.

        NaN where the sky alone fills it; -inf where nothing of stars is counted, so that none does.

        Parameters
        ----------
        sub_s : float
        fwhm_arcsec : float
            Width of star images.
        sky_e_s : (3,) float64
            Electrons per second of a pixel of the sky.
        passed : float
            Part of the stars' light that air lets through.
        temperature_k : float
            Colour of the stars.
        """
        share = peak_share(max(fwhm_arcsec / self.pixel_arcsec, 0.3))
        room = self.chip.full_e - sky_e_s * sub_s
        light = self.star(0.0, temperature_k) * passed * share * sub_s
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.where(room > 0, 2.5 * np.log10(light / np.maximum(room, 1e-9)), np.nan))
