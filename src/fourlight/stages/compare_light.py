"""What each filter of a setup counts of a target and of the sky, with how that may be off; what its subs tell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.snr import information
from fourlight.core.spectra import black_body
from fourlight.errors import InputError
from fourlight.sensor.rig import DARK_SKY_K, MOONLIT_SKY_K
from fourlight.stages.compare_setup import Glass, Setup
from fourlight.stages.plan_light import Target

__all__ = ["BANDS", "CONTINUUM", "Counted", "Parts", "Told", "counted", "kinds_of", "light_of", "told"]

Float64 = npt.NDArray[np.float64]

BANDS = {"blue light": (0.0, 500.0), "green light": (500.0, 590.0), "red light": (590.0, 9999.0)}
"""Parts of a continuum that are told apart, nm."""
CONTINUUM = "continuum"
LEAST_E = 1e-9
"""Electrons per second of a pixel under the full Moon below which no light passes a filter."""
STAR_K = 5800.0


def kinds_of(target: Target) -> tuple[str, ...]:
    """Kinds of light that are told apart: lines, and continuum beneath them as one; without lines, three parts of it.

    >>> kinds_of(Target("x", 22.0)), kinds_of(Target("x", 22.0, rayleigh={"halpha": 5.0}))
    (('blue light', 'green light', 'red light'), ('halpha', 'continuum'))
    """
    lines = tuple(target.rayleigh)
    if target.mag_arcsec2 is None:
        return lines
    return (*lines, CONTINUUM) if lines else tuple(BANDS)


@dataclass(frozen=True, eq=False)
class Parts:
    """Parts of the hours, each with its sky; arrays are (m,)."""

    ends_s: Float64
    """Seconds from the first moment."""
    dark_mag: Float64
    """Of the sky at the target without the Moon."""
    moonlit_mag: Float64
    """What the Moon adds; infinite where it is well down."""
    air_mass: Float64
    extinction_mag: float

    @property
    def passed(self) -> Float64:
        """(m,) part of the target's light that air lets through."""
        return np.asarray(10.0 ** (-0.4 * self.extinction_mag * self.air_mass))


@dataclass(frozen=True, eq=False)
class Counted:
    """Electrons per second of a pixel of each channel behind one filter, without air; modes are of the curves."""

    glass: Glass
    columns: Float64
    """(c, k) of each kind of the target's light."""
    column_modes: Float64
    """(m, c, k)"""
    ratio_modes: Float64
    """(r, c, k) how they may be off with what is taken for granted of the nebula."""
    skies: Float64
    """(c, 2) of the dark and of the moonlit sky, each of magnitude 0."""
    sky_modes: Float64
    """(m, c, 2)"""
    star: Float64
    """(c,) of a star of V = 0, all its light on one channel."""
    star_modes: Float64
    """(m, c)"""
    towards_red: Float64
    """(c,) 0 where a channel's mean light is at [OIII] or bluer, 1 where it is at Hα or redder."""


def counted(glass: Glass, target: Target, kinds: tuple[str, ...]) -> Counted:
    """Light behind one filter.

    Raises
    ------
    InputError
        No light passes to the camera.
    """
    rig = glass.rig
    wave = rig.path.grid()
    dark, moon, star = (black_body(wave, kelvin) for kelvin in (DARK_SKY_K, MOONLIT_SKY_K, STAR_K))
    surfaces = [dark, moon, star]
    bands = [kind for kind in kinds if kind in BANDS or kind == CONTINUUM]
    if target.mag_arcsec2 is not None:
        light = black_body(wave, target.temperature_k) * 10.0 ** (-0.4 * target.mag_arcsec2)
        for kind in bands:
            low, high = BANDS.get(kind, (0.0, np.inf))
            surfaces.append(np.where((wave >= low) & (wave < high), light, 0.0))
    values, modes = rig.sensed(np.stack(surfaces, axis=1))
    if not (values[:, 0] * 10.0 ** (-0.4 * 15) > LEAST_E).any():
        raise InputError(
            f"no light passes the filter {glass.called} to the camera {rig.response.name}, whose curve runs from "
            f"{rig.response.range_nm[0]:g} to {rig.response.range_nm[1]:g} nm; choose another filter or camera"
        )
    lines = tuple(kind for kind in kinds if kind not in bands)
    line_values, line_modes, ratios = _lines(glass, target, lines, len(kinds))
    return Counted(
        glass,
        np.concatenate([line_values, values[:, 3:]], axis=1),
        np.concatenate([line_modes, modes[:, :, 3:]], axis=2),
        ratios,
        values[:, :2],
        modes[:, :, :2],
        values[:, 2] / rig.pixel_arcsec**2,
        modes[:, :, 2] / rig.pixel_arcsec**2,
        np.clip((np.nan_to_num(rig.mean_nm, nan=500.7) - 500.7) / (656.3 - 500.7), 0.0, 1.0),
    )


def _lines(
    glass: Glass, target: Target, lines: tuple[str, ...], kinds: int
) -> tuple[Float64, Float64, Float64]:
    """Electrons of lines, and how they may be off with curves (m, c, l) and with ratios (r, c, all kinds)."""
    rig = glass.rig
    curves = len(rig.response.modes)
    if not lines:
        none = np.zeros((len(rig.channels), 0))
        return none, np.zeros((curves, *none.shape)), np.zeros((0, len(rig.channels), kinds))
    values = rig.line_rates({name: target.rayleigh[name] for name in lines})
    mixing = rig.lines(lines)
    share = np.divide(values, mixing.values, out=np.zeros_like(values), where=mixing.values != 0)
    scale = share.max(axis=0, initial=0.0)  # the same for all channels: photons on a pixel
    ratios = np.zeros((len(mixing.modes) - curves, len(rig.channels), kinds))
    ratios[:, :, : len(lines)] = mixing.modes[curves:] * scale
    return values, mixing.modes[:curves] * scale, ratios


@dataclass(frozen=True, eq=False)
class Told:
    """What one sub through a filter tells in each part of the hours."""

    squares: Float64
    """(m, c) squared signal over noise of each channel."""
    normals: Float64
    """(m, k, k) of the kinds of light."""
    star: Float64
    """(m,) squared signal over noise of a star."""


def told(
    seen: Counted, parts: Parts, area_arcsec2: float, star_mag: float, seeing_arcsec: float,
    *, read_factor: float = 1.0, dark_factor: float = 1.0,
) -> Told:  # fmt: skip
    """What one sub through a filter tells of a patch and of a star.

    Parameters
    ----------
    seen : Counted
    parts : Parts
    area_arcsec2 : float
        Of the patch.
    star_mag : float
        V.
    seeing_arcsec : float
        Width of stars, to which pixels and diffraction are added.
    read_factor, dark_factor : float
        By which read noise and dark current differ from those stated.
    """
    rig, sub = seen.glass.rig, seen.glass.sub_s
    flux = np.stack([10.0 ** (-0.4 * parts.dark_mag), 10.0 ** (-0.4 * parts.moonlit_mag)], axis=1)
    back = flux @ seen.skies.T + rig.chip.dark_e_per_s * dark_factor
    read = rig.chip.read_noise_e**2 * read_factor**2 + rig.chip.gain_e_per_adu**2 / 12
    samples = rig.samples * area_arcsec2 / rig.pixel_arcsec**2
    passed = parts.passed
    squares, normals = information(seen.columns.sum(axis=1), seen.columns, back, read, samples, sub, passed)
    light = passed[:, None] * seen.star * 10.0 ** (-0.4 * star_mag) * sub * rig.samples
    held = _pixels(seen.glass, seeing_arcsec) * rig.samples
    star = light**2 / (light + held * (back * sub + read))
    return Told(squares, normals, star.sum(axis=1))


def _pixels(glass: Glass, seeing_arcsec: float) -> float:
    """Noise-equivalent pixels of a star: 4 pi sigma^2 (King 1983), a Gaussian of seeing, diffraction and the pixel."""
    optics, pixel = glass.rig.optics, glass.rig.pixel_arcsec
    diffraction = 1.02899 * 550e-6 / optics.aperture_mm * 206264.806
    sigma2 = (seeing_arcsec**2 + diffraction**2) / (8 * np.log(2)) + pixel**2 / 12
    return float(4 * np.pi * sigma2 / pixel**2)


def light_of(setup: Setup, target: Target, kinds: tuple[str, ...]) -> list[Counted]:
    """Light behind each filter of a setup.

    Raises
    ------
    InputError
        No light passes one of them.
    """
    return [counted(each, target, kinds) for each in setup.glass]
