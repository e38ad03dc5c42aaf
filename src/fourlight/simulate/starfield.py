"""Invented stars: magnitudes with a slope as counted, temperatures as mixed, one open cluster."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.spectra import dust_law
from fourlight.simulate.catalogue_stars import catalogue_field
from fourlight.simulate.emission import Emission
from fourlight.simulate.light import Throughput
from fourlight.simulate.scene import Scene

__all__ = ["StarField", "star_field"]

FloatArray = npt.NDArray[np.float64]

_SPREAD = 1.5
"""Side of the area with stars over that of the frame, at least."""


@dataclass(frozen=True)
class StarField:
    """Stars on the truth grid, brightest first."""

    x: FloatArray
    y: FloatArray
    magnitude: FloatArray
    """V, dust in front included."""
    temperature_k: FloatArray
    rate: FloatArray
    """(n, 3) electrons per second in R, G, B."""
    wave_nm: FloatArray
    """(n, 3) mean wavelength of that light."""
    b_v: FloatArray
    """B-V of stars of the catalogue; NaN for invented ones."""


def star_field(scene: Scene, light: Throughput, shapes: Emission) -> StarField:
    """Stars of a scene over the whole canvas."""
    rng = np.random.default_rng(np.random.SeedSequence([scene.seed, 11]))
    field = _field_stars(scene, shapes, rng)
    cluster = _cluster_stars(scene, rng)
    x, y, magnitude, temperature = (np.concatenate(pair) for pair in zip(field, cluster, strict=True))
    depth = _depth(shapes, x, y)
    rates, wave = _by_temperature(light, temperature)
    base = rates * 10.0 ** (-0.4 * magnitude)[:, None]
    law = dust_law(light.effective_nm)
    rate = base * 10.0 ** (-0.4 * depth[:, None] * law[None, :])
    magnitude = magnitude + depth
    b_v = np.full(len(x), np.nan)
    if scene.stars.catalogue:
        listed = catalogue_field(scene, light)
        x, y = np.concatenate([x, listed.x]), np.concatenate([y, listed.y])
        magnitude, b_v = np.concatenate([magnitude, listed.magnitude]), np.concatenate([b_v, listed.b_v])
        temperature = np.concatenate([temperature, np.full(len(listed.x), np.nan)])
        rate, wave = np.concatenate([rate, listed.rate]), np.concatenate([wave, listed.wave_nm])
    order = np.argsort(magnitude, kind="stable")
    return StarField(
        x[order], y[order], magnitude[order], temperature[order], rate[order], wave[order], b_v[order]
    )


def _field_stars(
    scene: Scene, shapes: Emission, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    chosen, height, width = scene.stars, scene.camera.height_px, scene.camera.width_px
    ny, nx = shapes.dust_mag.shape
    reach = max(
        _SPREAD,
        2.0 * max(-shapes.x0, shapes.x0 + nx - width) / width + 1.0,
        2.0 * max(-shapes.y0, shapes.y0 + ny - height) / height + 1.0,
    )
    reach = math.ceil(2.0 * reach) / 2.0
    count = round(chosen.count * reach**2)
    x = (rng.random(count) - 0.5) * reach * width + 0.5 * (width - 1)
    y = (rng.random(count) - 0.5) * reach * height + 0.5 * (height - 1)
    low, high = 10.0 ** (chosen.slope * chosen.brightest_mag), 10.0 ** (chosen.slope * chosen.faintest_mag)
    magnitude = np.log10(low + rng.random(count) * (high - low)) / chosen.slope
    return x, y, magnitude, _temperatures(scene, count, rng)


def _temperatures(scene: Scene, count: int, rng: np.random.Generator) -> FloatArray:
    """Half solar-like, a quarter hotter, a fifth red giants, few very hot: a plausible mixture."""
    kind = rng.choice(4, size=count, p=[0.5, 0.25, 0.2, 0.05])
    centre = np.array([5200.0, 7800.0, 3900.0, 15000.0])[kind]
    width = np.array([0.10, 0.12, 0.08, 0.25])[kind]
    drawn = centre * np.exp(width * rng.standard_normal(count))
    same = scene.stars.temperature_k
    return np.asarray(drawn if same is None else np.full(count, same))


def _cluster_stars(
    scene: Scene, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    chosen, height, width = scene.stars, scene.camera.height_px, scene.camera.width_px
    count = chosen.cluster_count
    share = rng.random(count)
    radius = chosen.cluster_radius * np.sqrt(share / np.maximum(1.0 - 0.8 * share, 1e-3)) * height
    angle = 2.0 * np.pi * rng.random(count)
    x = chosen.cluster_x * width + radius * np.cos(angle)
    y = chosen.cluster_y * height + radius * np.sin(angle)
    magnitude = chosen.cluster_brightest_mag + 6.5 * rng.random(count) ** 0.7
    hot = 14000.0 * 10.0 ** (-0.07 * (magnitude - chosen.cluster_brightest_mag))
    giant = rng.random(count) < 0.04
    temperature = np.where(giant, 4000.0, hot) * np.exp(0.05 * rng.standard_normal(count))
    if chosen.temperature_k is not None:
        temperature = np.full(count, chosen.temperature_k)
    return x, y, magnitude, temperature


def _depth(shapes: Emission, x: FloatArray, y: FloatArray) -> FloatArray:
    """Dust in front of each star, from the nearest point of the map; a quarter of the stars are near."""
    ny, nx = shapes.dust_mag.shape
    i = np.clip(np.rint(x).astype(int) - shapes.x0, 0, nx - 1)
    j = np.clip(np.rint(y).astype(int) - shapes.y0, 0, ny - 1)
    near = (np.arange(len(x)) % 4) == 0
    return np.asarray(np.where(near, 0.2, 1.0) * shapes.dust_mag[j, i])


def _by_temperature(light: Throughput, temperature: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(n, 3) electrons per second of stars of V = 0 and their mean wavelengths, from a table in log temperature."""
    if len(temperature) == 0:
        return np.zeros((0, 3)), np.zeros((0, 3))
    low, high = np.log(temperature.min()) - 1e-6, np.log(temperature.max()) + 1e-6
    nodes = np.linspace(low, high, 256)
    tables = [np.array([of(float(np.exp(node))) for node in nodes]) for of in (light.star, light.star_nm)]
    rates, waves = (
        np.stack([np.interp(np.log(temperature), nodes, table[:, k]) for k in range(3)], axis=1)
        for table in tables
    )
    return rates, waves
