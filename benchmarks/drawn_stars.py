"""Stars of the catalogue as a drawn camera sees them: each of its own spectrum, behind dust and air of its own."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import PLANES
from fourlight.core.extinction import air_shape
from fourlight.core.passband import weights
from fourlight.sensor.lightpath import LightPath
from fourlight.simulate.catalogue_stars import ALIKE, COOLEST_BP_RP, DUST, USUAL
from fourlight.sky.catalogue import CatalogueStars, all_stars, magnitude_errors
from fourlight.sky.starspectra import of_colour, star_spectra
from fourlight.stages.star_fluxes import StarFluxes

__all__ = ["sky_stars"]

Float64 = npt.NDArray[np.float64]

MASSES = (1.0, 1.8)
"""Air masses; the program is told the usual ones."""
OTHERS = 0.005
"""Part by which light of a star differs beside its noise: flats, neighbours."""


def sky_stars(path: LightPath, z: Float64, count: int, rng: np.random.Generator) -> StarFluxes:
    """Stars to V = 11, chosen by lot, at 30 to 300 times their noise.

    Parameters
    ----------
    path : LightPath
    z : (m,) float64
        How the camera is off along its modes.
    count : int
    rng : Generator
    """
    listed = _listed()
    listed = listed.chosen(rng.integers(0, len(listed), count))
    v_error, b_v_error = magnitude_errors(listed.v_mag, listed.b_v)
    light = _light(path, z, _true(listed.b_v, b_v_error, rng), rng)
    light /= np.maximum(light.sum(axis=1, keepdims=True), 1e-30)
    error = np.sqrt(np.maximum(light, 0.0)) / rng.uniform(30, 300, (count, 1))
    light = light * (1 + OTHERS * rng.standard_normal(light.shape)) + error * rng.standard_normal(light.shape)
    # both greens have half of the samples each
    planes, wider = np.array([0, 1, 1, 2]), np.array([1.0, np.sqrt(2), np.sqrt(2), 1.0])
    none, sound = np.zeros(count), np.ones(count, dtype=bool)
    return StarFluxes(
        PLANES, none, none, light[:, planes], error[:, planes] * wider, np.zeros((4, 4)), listed.v_mag, v_error,
        listed.b_v, b_v_error, listed.row, ~sound, sound,
    )  # fmt: skip


@cache
def _listed() -> CatalogueStars:
    listed = all_stars(faintest=11.0)
    return listed.chosen(np.flatnonzero(np.isfinite(listed.b_v)))


def _true(b_v: Float64, error: Float64, rng: np.random.Generator) -> Float64:
    """Colours that stars may have which the catalogue sees so, where as many are of each as of stars of V = 9."""
    listed = _listed()
    colour = listed.b_v[(listed.v_mag > 8.5) & (listed.v_mag < 9.5)]
    counts, edges = np.histogram(colour, np.arange(-0.4, 2.0, 0.02))
    grid = 0.5 * (edges[1:] + edges[:-1])
    likely = counts * np.exp(-0.5 * ((np.clip(b_v, -0.3, 1.8)[:, None] - grid) / error[:, None]) ** 2)
    likely /= likely.sum(axis=1, keepdims=True)
    return np.asarray(grid[(likely.cumsum(axis=1) < rng.random((len(b_v), 1))).sum(axis=1)])


def _light(path: LightPath, z: Float64, b_v: Float64, rng: np.random.Generator) -> Float64:
    """(n, 3) light of stars of V = 0, each with one of the spectra of about its colour less dust."""
    spectra, wave = star_spectra(), path.grid()
    usual, known = np.flatnonzero(spectra.usual), np.flatnonzero(spectra.bp_rp < COOLEST_BP_RP)
    curves = path.at(wave) + np.tensordot(z, path.modes_at(wave), axes=1)
    share = curves * weights(wave) * air_shape(wave, rng.uniform(*MASSES))
    out = np.empty((len(b_v), len(curves)))
    for k, colour in enumerate(b_v):
        wanted = colour - rng.exponential(DUST)
        kinds = usual if rng.random() < USUAL else known
        near = kinds[np.argsort(np.abs(spectra.b_v[kinds] - wanted), kind="stable")[:ALIKE]]
        photons = of_colour(float(colour), int(rng.choice(near)), spectra)
        out[k] = share @ np.interp(wave, spectra.wave_nm, photons)
    return out
