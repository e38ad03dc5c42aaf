"""Stars of a scene as the catalogue has them: true places, V and B-V, and spectra of stars of that colour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.passband import weights
from fourlight.core.tangent import gnomonic
from fourlight.sensor.response import WAVE_NM
from fourlight.simulate.light import Throughput
from fourlight.simulate.scene import Scene, start_time
from fourlight.sky.catalogue import CatalogueStars, cone, magnitude_errors
from fourlight.sky.starcounts import likely_colours
from fourlight.sky.starspectra import StarSpectra, of_colour, star_spectra

__all__ = ["ALIKE", "COOLEST_BP_RP", "DUST", "USUAL", "CatalogueField", "catalogue_field", "star_rates"]

FloatArray = npt.NDArray[np.float64]

DUST = 0.06
"""Mean reddening E(B-V) of stars to V = 11, magnitudes: an invented sky, a common value."""
USUAL = 0.9
"""Part of the stars that are dwarfs where blue and giants where red; the others are of any kind. Giants are six
magnitudes brighter than dwarfs of their colour, and so seen in 4000 times the space: most red stars to V = 11 are such
(common practice, no source)."""
ALIKE = 4
"""Spectra nearest in colour, of which a star has one."""
UNKNOWN_B_V = 0.6
COLOURS = np.arange(-0.35, 2.0, 0.005)
"""B-V of true stars."""
COOLEST_BP_RP = 2.4


@dataclass(frozen=True)
class CatalogueField:
    """Catalogue stars on the truth grid."""

    x: FloatArray
    y: FloatArray
    magnitude: FloatArray
    """True V, from which the catalogue's differs by its errors."""
    b_v: FloatArray
    """True B-V."""
    rate: FloatArray
    """(n, 3) electrons per second in R, G, B."""
    wave_nm: FloatArray
    """(n, 3) mean wavelength of that light."""


def catalogue_field(scene: Scene, light: Throughput, margin: float = 1.5) -> CatalogueField:
    """Stars of the catalogue around the middle of a scene, north up and east to the left.

    Parameters
    ----------
    scene : Scene
        ``site.ra_deg`` and ``site.dec_deg`` are the middle of the reference frame.
    light : Throughput
    margin : float
        Side of the area over that of the frame.
    """
    camera, site = scene.camera, scene.site
    start = start_time(scene.nights[0])
    epoch = start.year + (start.timetuple().tm_yday - 1) / 365.25
    scale = scene.pixel_arcsec / 3600.0
    reach = 0.5 * margin * scale * np.hypot(camera.width_px, camera.height_px)
    listed = cone(site.ra_deg, site.dec_deg, float(reach), epoch=epoch)
    xi, eta = gnomonic(listed.ra_deg, listed.dec_deg, site.ra_deg, site.dec_deg)
    x, y = 0.5 * (camera.width_px - 1) - xi / scale, 0.5 * (camera.height_px - 1) - eta / scale
    rng = np.random.default_rng(np.random.SeedSequence([scene.seed, 17]))
    v, b_v = _true(listed, rng, scene.stars.catalogue_error)
    rate, wave = star_rates(light, b_v, star_spectra(), rng)
    return CatalogueField(x, y, v, b_v, rate * 10.0 ** (-0.4 * v)[:, None], wave)


def _true(listed: CatalogueStars, rng: np.random.Generator, part: float) -> tuple[FloatArray, FloatArray]:
    """V and B-V from which the catalogue strays by a part of its usual errors.

    A colour is one of those that are likely where stars have usual colours and the catalogue has this one.
    """
    b_v = np.where(np.isfinite(listed.b_v), listed.b_v, UNKNOWN_B_V)
    v_error, b_v_error = magnitude_errors(listed.v_mag, b_v)
    count = len(listed)
    v = listed.v_mag + part * v_error * rng.standard_normal(count)
    if part == 0:
        return v, b_v
    likely = likely_colours(np.clip(b_v, COLOURS[0], COLOURS[-1]), part * b_v_error, COLOURS)
    place = (likely.cumsum(axis=1) < rng.random((count, 1))).sum(axis=1)
    return v, COLOURS[np.minimum(place, len(COLOURS) - 1)]


def star_rates(
    light: Throughput, b_v: FloatArray, spectra: StarSpectra, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """(n, 3) electrons per second of stars of V = 0 and their mean wavelengths.

    Each has one of the spectra of about its colour less dust, with the dust before it that its colour asks for.
    """
    usual, known = np.flatnonzero(spectra.usual), np.flatnonzero(spectra.bp_rp < COOLEST_BP_RP)
    at = np.searchsorted(spectra.wave_nm, WAVE_NM)
    share = light.curves * weights(WAVE_NM) * light.area_cm2
    dust = rng.exponential(DUST, len(b_v))
    rates, waves = np.zeros((len(b_v), 3)), np.full((len(b_v), 3), 550.0)
    for k, colour in enumerate(b_v):
        kinds = usual if rng.random() < USUAL else known
        near = kinds[np.argsort(np.abs(spectra.b_v[kinds] - (colour - dust[k])), kind="stable")[:ALIKE]]
        photons = of_colour(float(colour), int(rng.choice(near)), spectra)[at]
        rates[k] = share @ photons
        waves[k] = np.where(rates[k] > 0, (share * photons) @ WAVE_NM / np.maximum(rates[k], 1e-30), 550.0)
    return rates, waves
