"""What makes stars wider in one colour than in another: the causes that fit a series of lights, best first, in words.

It is a likely cause, never a proof: causes that fit nearly as well are named with what would tell them apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from fourlight.core.blur import air_mass, band, seeing_ratio
from fourlight.core.trials import Trial, jackknife
from fourlight.core.widthcauses import Explained, Seen, explained
from fourlight.frames import RegisteredFrame
from fourlight.sensor.filters import FILTERS, known_filter
from fourlight.sensor.response import WAVE_NM
from fourlight.sensor.sensors import sensor
from fourlight.stages.fringe_facts import altitude_of
from fourlight.stages.shared_places import zoom
from fourlight.stages.width_ratio import METHOD, WidthRatio, width_ratio
from fourlight.stages.width_words import statement
from fourlight.stages.widths import COLOURS, FrameWidths

__all__ = ["Cause", "Sky", "known_sky", "mosaic_bands", "vertical", "width_cause"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]
Fact = TypeVar("Fact")

LOWEST_DEG = 10.0
"""Altitude under which the flat atmosphere of dispersion no longer holds."""

LEAST_RANGE = 1.2
"""Highest air mass over the lowest from which a power of it is fitted."""

BLOCKS = 6
"""Parts of a series that are left out in turn."""

LEAST_SHIFT_PX = 0.1
"""Shift of blue against red from which it shows where the vertical is."""

LEAST_LIGHTS = 4


@dataclass(frozen=True, slots=True)
class Sky:
    """What is known of each light besides its stars; all optional but the time."""

    hours: Float64
    """(f,)"""
    nights: Sequence[str | None] | None = None
    altitude_deg: Float64 | None = None
    """(f,)"""
    arcsec_px: float | Float64 | None = None
    """Side of a pixel of the lights: one for all, or (f,)."""
    aperture_mm: float | None = None
    filter_name: str | None = None
    """In front of the sensor, as headers name it."""
    vertical_deg: Float64 | None = None
    """(f,) direction of the vertical on the light, from +x towards +y; NaN where it is not known."""


@dataclass(frozen=True, slots=True)
class Cause:
    """The answer."""

    statement: str
    ranked: tuple[Explained, ...]
    """All causes, the likeliest first; empty where lights are too few."""
    ratios: dict[str, WidthRatio]
    """Of R and B to G."""
    air_mass_power: Trial | None
    """Power of air mass that width in green goes with; None where air mass is not known or hardly changes."""


def mosaic_bands(camera: str = "bsi-8mp", passed: str | None = None) -> tuple[Float64, Float64]:
    """Mean wavelength (nm) of R, G, B, behind a filter if named, and rms spread by the air, arcsec at 45 degrees.

    >>> wave, spread = mosaic_bands()
    >>> wave.round().tolist(), spread.round(2).tolist()
    ([616.0, 547.0, 482.0], [0.19, 0.19, 0.28])
    >>> mosaic_bands(passed="dual-7nm")[0].round().tolist()
    [643.0, 520.0, 522.0]
    """
    curves = sensor(camera).at(WAVE_NM) * FILTERS[passed or "none"].at(WAVE_NM)
    mean, spread = zip(*(band(WAVE_NM, curve) for curve in curves), strict=True)
    return np.array(mean), np.array(spread)


def vertical(frame: RegisteredFrame) -> float:
    """Direction in which blue is shifted from red, degrees; NaN where the shift is too small to tell.

    That is the vertical where the atmosphere does it; lateral colour of the optics vanishes in the middle of a frame.
    """
    middle = np.array([(frame.measured.raw.nx - 1) / 2, (frame.measured.raw.ny - 1) / 2, 1.0])
    dx, dy = (frame.offset[3] - frame.offset[0]) @ middle
    return float(np.degrees(np.arctan2(dy, dx))) if np.hypot(dx, dy) > LEAST_SHIFT_PX else float("nan")


def known_sky(frames: Sequence[RegisteredFrame], arcsec_px: float | None = None) -> Sky:
    """What headers and stars tell of each light; ``arcsec_px`` is the side of a pixel of the reference.

    Lights without a time are taken as evenly spaced.
    """
    raws = [frame.measured.raw for frame in frames]
    times = [raw.time.timestamp() / 3600 if raw.time is not None else None for raw in raws]
    known = [time for time in times if time is not None]
    hours = np.array(known) - min(known) if len(known) == len(raws) and known else np.arange(float(len(raws)))
    heights = [altitude_of(raw) for raw in raws]
    altitude = None if None in heights else np.array(heights, dtype=np.float64)
    scale = None if arcsec_px is None else arcsec_px * np.array([zoom(frame) for frame in frames])
    up = np.array([vertical(frame) for frame in frames])
    return Sky(
        hours, [raw.night for raw in raws], altitude, scale, _common([raw.aperture_mm for raw in raws]),
        _common([raw.filter_name for raw in raws]), up,
    )  # fmt: skip


def _common(facts: Sequence[Fact | None]) -> Fact | None:
    """What all lights agree on."""
    return facts[0] if len(set(facts)) == 1 else None


def width_cause(
    widths: Sequence[FrameWidths],
    sky: Sky,
    bands: tuple[Float64, Float64] | None = None,
) -> Cause:
    """The likely cause of different widths of the colours.

    Parameters
    ----------
    widths : sequence of FrameWidths
        One for each light, in order of time.
    sky : Sky
    bands : (wave_nm (3,), spread_arcsec (3,)), optional
        Of R, G, B, as from `mosaic_bands`; else those behind the lights' filter where it is known by name.
    """
    ratios = {colour: width_ratio(widths, colour, nights=sky.nights) for colour in "RB"}
    known = np.array(
        [k for k, frame in enumerate(widths) if np.isfinite(frame.fwhm_px[[0, 3, 4]]).all()], np.int64
    )
    if len(known) < LEAST_LIGHTS:
        said = f"{len(known)} lights show stars in red, green and blue; {LEAST_LIGHTS} are needed to look for a cause."
        return Cause(said, (), ratios, None)
    passed = known_filter(sky.filter_name)
    wave, spread = bands or mosaic_bands(passed=passed)
    seen = _seen([widths[int(k)] for k in known], sky, known, wave, spread)
    odd = ""
    if seen.airy2 >= float(seen.width.min()) ** 2:
        odd = (
            f" The aperture of {seen.aperture_mm:.3g} mm in the headers would blur stars by {np.sqrt(seen.airy2):.2g} "
            f"arcsec, more than the narrowest light shows ({seen.width.min():.2g}): it is not counted with."
        )
        seen = replace(seen, aperture_mm=None)
    ranked = tuple(explained(seen))
    power = _power(np.log(seen.width), sky, known)
    unit = "arcsec" if seen.arcsec else "px"
    seeing = 100 * (seeing_ratio(wave[[0, 2]], float(wave[1])) - 1)
    said = statement(ranked, ratios, seen, unit, seeing, power, guessed=not (bands or passed)) + odd
    return Cause(said, ranked, ratios, power)


def _seen(widths: list[FrameWidths], sky: Sky, known: Int64, wave: Float64, spread: Float64) -> Seen:
    width = np.array([frame.fwhm_px[4] for frame in widths])
    log = np.array([[frame.log_ratio(colour) for colour in "RB"] for frame in widths])
    excess, slope = 0.5 * np.expm1(2 * log[:, :, 0]), np.exp(2 * log[:, :, 0])
    tangent = None
    if sky.altitude_deg is not None and (sky.altitude_deg[known] > LOWEST_DEG).all():
        tangent = 1.0 / np.tan(np.radians(sky.altitude_deg[known]))
    stretch, stretch_error = (
        _stretch(widths, sky.vertical_deg[known]) if sky.vertical_deg is not None else (None, None)
    )
    scale = np.broadcast_to(1.0 if sky.arcsec_px is None else sky.arcsec_px, sky.hours.shape)[known]
    return Seen(
        excess, np.maximum(log[:, :, 1] * slope, _scatter(excess)), METHOD, width * scale,
        sky.arcsec_px is not None, _hours_of_night(sky, known), tangent, wave, spread, sky.aperture_mm, stretch,
        stretch_error,
    )  # fmt: skip


def _hours_of_night(sky: Sky, known: Int64) -> Float64:
    """Hours before or after the middle of each night's lights."""
    hours = sky.hours[known].astype(np.float64)
    night = np.array([(sky.nights[k] or "") if sky.nights else "" for k in known])
    for name in np.unique(night):
        hours[night == name] -= hours[night == name].mean()
    return hours


def _scatter(values: Float64) -> Float64:
    """(columns,) scatter from light to light, from steps: what changes slowly is no scatter (von Neumann 1941)."""
    return np.asarray(np.sqrt(0.5 * np.mean(np.diff(values, axis=0) ** 2, axis=0)))


def _stretch(widths: list[FrameWidths], vertical_deg: Float64) -> tuple[Float64, Float64]:
    """Stretch of red and blue along the vertical beyond that of green, and its error from steps; see `Seen`."""
    rows, order = [], [COLOURS.index(name) for name in ("R", "G", "B")]
    for frame, up in zip(widths, vertical_deg, strict=True):
        square, long = frame.fwhm_px[order] ** 2, frame.elongation[order]
        along = square * (long - 1 / long) * np.cos(2 * np.radians(frame.angle_deg[order] - up))
        rows.append((along[[0, 2]] - along[1]) / square[1])
    stretch = np.array(rows)
    there = np.isfinite(stretch).all(axis=1)
    if there.sum() < LEAST_LIGHTS:
        return np.zeros_like(stretch), np.full_like(stretch, 1e6)
    error = np.where(there[:, None], np.maximum(_scatter(stretch[there]), 1e-4), 1e6)
    return np.where(there[:, None], stretch, 0.0), error


def _power(log_width: Float64, sky: Sky, known: Int64) -> Trial | None:
    """Power of air mass in the width, with the error that leaving out one part of the series after the other shows."""
    if sky.altitude_deg is None or not (sky.altitude_deg[known] > 0).all():
        return None
    mass = np.log(air_mass(sky.altitude_deg[known]))
    if np.ptp(mass) < np.log(LEAST_RANGE) or len(known) < 2 * BLOCKS:
        return None
    parts = np.array_split(np.arange(len(mass)), BLOCKS)
    without = [np.delete(np.arange(len(mass)), part) for part in parts]
    return jackknife(
        float(np.polyfit(mass, log_width, 1)[0]),
        [np.polyfit(mass[rest], log_width[rest], 1)[0] for rest in without],
    )
