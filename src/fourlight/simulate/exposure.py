"""One exposure: the light that reaches each sample, then chance, then the read-out."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from fourlight.core.spectra import black_body
from fourlight.sensor.response import WAVE_NM
from fourlight.simulate.colour_shift import ColourShift
from fourlight.simulate.detector import add_particles
from fourlight.simulate.plan import LightPlan
from fourlight.simulate.psf import add_stars, star_radius_px
from fourlight.simulate.resample import add_spline, blurred
from fourlight.simulate.scene import Scene
from fourlight.simulate.world import World

__all__ = [
    "bias_frame",
    "dark_frame",
    "dark_settings",
    "expected_light",
    "flat_frame",
    "flat_settings",
    "light_frame",
    "star_electrons",
]

FloatArray = npt.NDArray[np.float64]
Frame = npt.NDArray[np.uint16]


def expected_light(world: World, plan: LightPlan) -> FloatArray:
    """(ny, nx) expected electrons of object, stars, sky and trails, before the sensitivity of the samples."""
    image = np.zeros(world.detector.sensitivity.shape)
    _add_object(world, plan, image)
    seconds = plan.exposure_s * plan.transparency
    star_electrons(world, plan.matrix, plan.shapes, seconds, image, plan.colours)
    _add_sky(image, world.detector.cell, plan.sky_e, plan.sky_slope_e)
    for trail in plan.trails:
        sigma = plan.fwhm_px / (2.0 * math.sqrt(2.0 * math.log(2.0)))
        angle = math.radians(trail.angle_deg)
        normal = np.array([-math.sin(angle), math.cos(angle)])
        _add_trail(image, world.detector.cell, trail.x, trail.y, normal, sigma, trail.electrons_per_px)
    return image


def _add_object(world: World, plan: LightPlan, image: FloatArray) -> None:
    corner = np.array([[0, 0, world.emission.x0], [0, 0, world.emission.y0]])
    area = abs(float(np.linalg.det(plan.matrix[:, :2])))
    factor = area * plan.exposure_s * plan.transparency
    if world.scene.object.kind == "none":
        return
    for colour, canvas in enumerate(world.emission.canvases):
        coefficients = blurred(canvas, plan.matrix, plan.shapes[colour], world.profile)
        matrix = plan.matrices[colour] - corner
        add_spline(image, world.detector.cell, colour, coefficients, matrix, factor)


def star_electrons(
    world: World, matrix: FloatArray, shapes: FloatArray, seconds: float, image: FloatArray,
    colours: ColourShift | None = None,
) -> None:  # fmt: skip
    """Add the stars to ``image`` in place; ``seconds`` is exposure times transparency.

    With ``colours``, light of each star and colour falls where its mean wavelength puts it.
    """
    inverse = np.linalg.inv(matrix[:, :2])
    position = (np.stack([world.stars.x, world.stars.y], axis=1) - matrix[:, 2]) @ inverse.T
    electrons = world.stars.rate * seconds
    radius = star_radius_px(world.profile, shapes[1], electrons.max(axis=1, initial=0.0))
    ny, nx = image.shape
    x, y = position[:, 0], position[:, 1]
    across, down = np.repeat(x[:, None], 3, axis=1), np.repeat(y[:, None], 3, axis=1)
    if colours is not None:
        across, down = colours.moved(across, down, world.stars.wave_nm)
    seen = (x > -radius) & (x < nx + radius) & (y > -radius) & (y < ny + radius)
    profile = world.profile
    add_stars(
        image,
        world.detector.cell,
        np.ascontiguousarray(across[seen]),
        np.ascontiguousarray(down[seen]),
        np.ascontiguousarray(electrons[seen]),
        radius[seen],
        shapes,
        profile.scale,
        profile.peak,
        profile.beta,
    )


@njit(cache=True, nogil=True)
def _add_sky(image: FloatArray, cell: npt.NDArray[np.int64], level: FloatArray, slope: FloatArray) -> None:
    ny, nx = image.shape
    for j in range(ny):
        for i in range(nx):
            c = cell[j % 2, i % 2]
            image[j, i] += level[c] + slope[c, 0] * (i - 0.5 * (nx - 1)) + slope[c, 1] * (j - 0.5 * (ny - 1))


@njit(cache=True, nogil=True)
def _add_trail(
    image: FloatArray,
    cell: npt.NDArray[np.int64],
    x: float,
    y: float,
    normal: FloatArray,
    sigma: FloatArray,
    strength: FloatArray,
) -> None:
    """Straight line with a Gaussian cross-section; pixel area widens it by 1/12 pixel squared."""
    ny, nx = image.shape
    for j in range(ny):
        for i in range(nx):
            c = cell[j % 2, i % 2]
            distance = normal[0] * (i - x) + normal[1] * (j - y)
            variance = sigma[c] * sigma[c] + 1.0 / 12.0
            if distance * distance < 36.0 * variance:
                peak = strength[c] / math.sqrt(2.0 * math.pi * variance)
                image[j, i] += peak * math.exp(-0.5 * distance * distance / variance)


def light_frame(world: World, plan: LightPlan) -> Frame:
    """A light in ADU."""
    rng = _chance(world.scene, 41, plan.night, plan.index)
    mean = expected_light(world, plan) * world.detector.sensitivity
    return _exposed(world, mean, plan.exposure_s, world.scene.camera.temperature_c, rng)


def dark_frame(world: World, index: int) -> Frame:
    """A dark in ADU; ``index`` counts from 1."""
    scene = world.scene
    exposure, temperature = dark_settings(scene, index)
    rng = _chance(scene, 42, 0, index)
    return _exposed(world, np.zeros(world.detector.sensitivity.shape), exposure, temperature, rng)


def dark_settings(scene: Scene, index: int) -> tuple[float, float]:
    """Exposure in seconds and temperature in deg C of a dark."""
    chosen = scene.calibration
    temperature = chosen.dark_temperature_c
    if chosen.dark_temperatures_c:
        temperature = chosen.dark_temperatures_c[(index - 1) // chosen.darks]
    return (
        chosen.dark_exposure_s or scene.exposure_s,
        scene.camera.temperature_c if temperature is None else temperature,
    )


def flat_settings(scene: Scene, index: int) -> tuple[float, float]:
    """Exposure in seconds, and level of the brightest plane over the full range before the panel drifts, of a flat."""
    chosen = scene.calibration
    if not chosen.flat_levels:
        return chosen.flat_exposure_s, chosen.flat_level
    level = chosen.flat_levels[(index - 1) // chosen.flats]
    return round(chosen.flat_exposure_s * level / chosen.flat_level, 6), level


def flat_frame(world: World, index: int) -> Frame:
    """A flat in ADU: an even panel, its brightest plane at the level asked for; ``index`` counts from 1."""
    scene, chosen = world.scene, world.scene.calibration
    panel = world.light.curves @ black_body(WAVE_NM, chosen.flat_temperature_k)
    full_e = (world.detector.full_adu - scene.camera.offset_adu) * scene.camera.gain_e_per_adu
    exposure, share = flat_settings(scene, index)
    share *= (1.0 + chosen.flat_drift) ** (index - 1)
    level = share * full_e * panel / panel.max()
    mean = np.zeros(world.detector.sensitivity.shape)
    _add_sky(mean, world.detector.cell, level, np.zeros((3, 2)))
    rng = _chance(scene, 43, 0, index)
    return _exposed(world, mean * world.detector.sensitivity, exposure, scene.camera.temperature_c, rng)


def bias_frame(world: World, index: int) -> Frame:
    """A bias frame in ADU."""
    return world.detector.read_out(
        np.zeros(world.detector.sensitivity.shape), _chance(world.scene, 44, 0, index)
    )


def _exposed(
    world: World, mean: FloatArray, exposure_s: float, temperature_c: float, rng: np.random.Generator
) -> Frame:
    mean += world.detector.dark_e(exposure_s, temperature_c)
    electrons = rng.poisson(np.maximum(mean, 0.0)).astype(np.float64)
    add_particles(world.scene, electrons, exposure_s, rng)
    return world.detector.read_out(electrons, rng)


def _chance(scene: Scene, kind: int, night: int, index: int) -> np.random.Generator:
    """Random numbers of one frame, whatever the order in which frames are made."""
    return np.random.default_rng(np.random.SeedSequence([scene.seed, kind, night, index]))
