"""What happens in each light: where it points, how sharp, how clear, how bright; decided before any pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from fourlight.core import maps
from fourlight.simulate.colour_shift import ColourShift, colour_shift
from fourlight.simulate.light import Throughput, sky_rates
from fourlight.simulate.psf import shape_matrix
from fourlight.simulate.scene import Scene, start_time
from fourlight.simulate.scene_sky import Night

__all__ = ["LightPlan", "Trail", "frame_matrix", "plan_lights", "reference_shapes", "widths_arcsec"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Trail:
    """A satellite: a straight line through the frame."""

    x: float
    y: float
    """A point of the line, frame pixels."""
    angle_deg: float
    electrons_per_px: FloatArray
    """(3,) per pixel of length in R, G, B."""


@dataclass(frozen=True)
class LightPlan:
    """One light; vectors of three follow R, G, B."""

    night: int
    index: int
    """From 1 within the night."""
    name: str
    """File below the output folder."""
    time: datetime
    exposure_s: float
    matrix: FloatArray
    """(2, 3) from frame pixel (x, y, 1) to truth pixel."""
    fwhm_px: FloatArray
    """(3,) width of the point spread across the smear, frame pixels, pixel area not included."""
    colours: ColourShift
    wave_nm: FloatArray
    """(3,) of the object's light."""
    smear_px: float
    smear_angle_deg: float
    transparency: float
    sky_e: FloatArray
    """(3,) electrons at the centre of the frame."""
    sky_slope_e: FloatArray
    """(3, 2) electrons per pixel of x and of y."""
    trails: tuple[Trail, ...]
    cloud: bool
    trailed: bool
    defocused: bool

    @property
    def matrices(self) -> FloatArray:
        """(3, 2, 3) from frame pixel to truth pixel for light of each colour."""
        return np.array([maps.composed(self.colours.undone(wave), self.matrix) for wave in self.wave_nm])

    @property
    def shapes(self) -> FloatArray:
        """(3, 2, 2) `shape_matrix` per colour."""
        return np.array([shape_matrix(width, self.smear_px, self.smear_angle_deg) for width in self.fwhm_px])


def plan_lights(scene: Scene, light: Throughput) -> list[LightPlan]:
    """Plans of all lights of all nights, in order."""
    found: list[LightPlan] = []
    for number in range(1, len(scene.nights) + 1):
        found += _plan_night(scene, light, number)
    return found


def _plan_night(scene: Scene, light: Throughput, number: int) -> list[LightPlan]:
    night = scene.nights[number - 1]
    rng = np.random.default_rng(np.random.SeedSequence([scene.seed, 21, number]))
    seeing = night.seeing_arcsec * np.exp(night.seeing_scatter * _correlated(night, rng))
    clear = night.transparency * np.exp(-night.transparency_scatter * np.abs(_correlated(night, rng)))
    cloud = _cloud_magnitudes(night, _correlated(night, rng))
    dither = night.dither_px * rng.standard_normal((night.count, 2))
    trails = _trail_frames(scene, light, night, rng)
    clear_sky = sky_rates(light, night)
    plans = []
    for k in range(night.count):
        extra = night.defocus_arcsec if k + 1 in night.defocused else 0.0
        widths = widths_arcsec(scene, light, float(seeing[k]), extra)
        weather = (float(clear[k]), float(cloud[k]))
        plans.append(
            _plan_light(
                scene, light, number, k, widths, weather, clear_sky, dither[k], trails.get(k, ()),
            )
        )  # fmt: skip
    return plans


def _correlated(night: Night, rng: np.random.Generator) -> FloatArray:
    """Unit-variance series in which neighbours have correlation ``night.correlation``."""
    steps = rng.standard_normal(night.count)
    for k in range(1, night.count):
        steps[k] = night.correlation * steps[k - 1] + math.sqrt(1.0 - night.correlation**2) * steps[k]
    return steps


def _cloud_magnitudes(night: Night, series: FloatArray) -> FloatArray:
    """Dimming per frame: the highest ``cloud_share`` of the series are cloudy, the highest is thickest."""
    cloudy = round(night.cloud_share * night.count)
    if cloudy == 0 or night.cloud_mag == 0.0:
        return np.zeros(night.count)
    ordered = np.sort(series)
    edge = ordered[-cloudy - 1] if cloudy < night.count else ordered[0] - 1.0
    return np.asarray(night.cloud_mag * np.clip((series - edge) / (ordered[-1] - edge), 0.0, 1.0))


def _trail_frames(
    scene: Scene, light: Throughput, night: Night, rng: np.random.Generator
) -> dict[int, tuple[Trail, ...]]:
    colour = light.star(5772.0)
    colour = colour / max(colour[1], 1e-9)
    chosen = rng.permutation(night.count)[: round(night.trail_share * night.count)]
    found: dict[int, tuple[Trail, ...]] = {}
    for k in sorted(int(n) for n in chosen):
        x = rng.uniform(0.15, 0.85) * scene.camera.width_px
        y = rng.uniform(0.15, 0.85) * scene.camera.height_px
        strength = night.trail_e_per_px * math.exp(0.6 * rng.standard_normal())
        found[k] = (Trail(x, y, rng.uniform(0.0, 180.0), strength * colour),)
    return found


def _plan_light(
    scene: Scene,
    light: Throughput,
    number: int,
    k: int,
    widths: FloatArray,
    weather: tuple[float, float],
    clear_sky: FloatArray,
    dither: FloatArray,
    trails: tuple[Trail, ...],
) -> LightPlan:
    night = scene.nights[number - 1]
    exposure = night.exposure_s or scene.exposure_s
    turn = night.rotation_deg + (180.0 if night.flip_after is not None and k >= night.flip_after else 0.0)
    pixel = scene.pixel_arcsec * night.scale
    clear, cloud_mag = weather
    passed = 10.0 ** (-0.4 * cloud_mag)
    sky = clear_sky * exposure * pixel**2 * _sky_factor(night, k, passed)
    trailed = k + 1 in night.trailed
    return LightPlan(
        night=number,
        index=k + 1,
        name=f"night{number}/light_{k + 1:04d}.fits",
        time=start_time(night) + timedelta(seconds=k * (exposure + night.gap_s)),
        exposure_s=exposure,
        matrix=frame_matrix(scene, turn, night.scale, dither + (night.offset_x_px, night.offset_y_px)),
        fwhm_px=widths / pixel,
        colours=colour_shift(scene, night, turn, k / max(1, night.count - 1), float(light.effective_nm[1])),
        wave_nm=light.effective_nm,
        smear_px=(night.trailed_arcsec if trailed else scene.optics.guiding_arcsec) / pixel,
        smear_angle_deg=scene.optics.guiding_angle_deg,
        transparency=clear * passed,
        sky_e=sky,
        sky_slope_e=sky[:, None] * _sky_slope(scene, night, turn)[None, :],
        trails=trails,
        cloud=cloud_mag > 0.0,
        trailed=trailed,
        defocused=k + 1 in night.defocused,
    )


def _sky_factor(night: Night, k: int, passed: float) -> float:
    """Sky over the clear sky at the start of the night: cloud brightens it, and it drifts."""
    drift = night.sky_drift_mag * k / max(1, night.count - 1)
    return float((1.0 + night.cloud_glow * (1.0 - passed)) * 10.0 ** (-0.4 * drift))


def _sky_slope(scene: Scene, night: Night, turn_deg: float) -> FloatArray:
    """(2,) relative change of the sky per frame pixel of x and y; the gradient belongs to the sky."""
    direction = math.radians(night.gradient_angle_deg - turn_deg)
    side = np.array([scene.camera.width_px, scene.camera.height_px])
    return np.asarray(night.gradient * np.array([math.cos(direction), math.sin(direction)]) / side)


def widths_arcsec(
    scene: Scene, light: Throughput, seeing_arcsec: float, extra_arcsec: float = 0.0
) -> FloatArray:
    """(3,) full width at half maximum per colour: seeing, diffraction, optics and focus in quadrature.

    Seeing goes as lambda^-0.2 (Kolmogorov), diffraction is 1.029 lambda / D (Airy), the blur of a colour
    grows with the square of its distance from best focus.
    """
    optics = scene.optics
    wave = light.effective_nm
    if optics.equal_psf:
        wave = np.full(3, wave[1])
    seeing = seeing_arcsec * (wave / 500.0) ** -0.2
    diffraction = 1.02899 * wave * 1e-6 / optics.aperture_mm * 206264.806
    focus = optics.colour_blur_arcsec * ((wave - optics.best_focus_nm) / 100.0) ** 2
    return np.asarray(
        np.sqrt(seeing**2 + diffraction**2 + focus**2 + optics.blur_arcsec**2 + extra_arcsec**2)
    )


def frame_matrix(scene: Scene, turn_deg: float, scale: float, shift: FloatArray) -> FloatArray:
    """(2, 3) from frame pixel to truth pixel: turn and scale about the centre, then shift."""
    centre = 0.5 * np.array([scene.camera.width_px - 1.0, scene.camera.height_px - 1.0])
    cosine, sine = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    turn = scale * np.array([[cosine, -sine], [sine, cosine]])
    return np.column_stack([turn, centre + np.asarray(shift) - turn @ centre])


def reference_shapes(scene: Scene, light: Throughput) -> FloatArray:
    """(3, 2, 2) point spread of the reference sub: reference seeing, guiding as set, in truth pixels."""
    widths = widths_arcsec(scene, light, scene.reference_seeing_arcsec) / scene.pixel_arcsec
    smear = scene.optics.guiding_arcsec / scene.pixel_arcsec
    return np.array([shape_matrix(width, smear, scene.optics.guiding_angle_deg) for width in widths])
