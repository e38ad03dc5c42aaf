"""Camera and filter that a recipe names, and what stars look like through them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.abmag import MAG, ab_photons
from fourlight.core.extinction import air_shape
from fourlight.core.passband import weights
from fourlight.errors import InputError
from fourlight.frames import RawFrame
from fourlight.pipeline.curves import camera_named, filter_named
from fourlight.recipe_gear import Gear
from fourlight.sensor.filters import FASTEST, FILTERS, Beam, Filter, known_filter
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.response import Response
from fourlight.sensor.sensors import GENERIC, sensor
from fourlight.sky.starcolours import SUN_B_V, StarColours, standard_colours, through
from fourlight.sky.starspectra import of_colour, star_spectra

__all__ = ["Through", "beam_of", "beam_words", "light_of", "named_path"]

WAVE_NM = np.arange(350.0, 1000.5, 1.0)
STEP_NM = 0.2
IN_HEADER = "focal length and aperture in the header"
LITTLE = 0.9
"""Part of the light within its bands that a filter must keep in a converging beam for nothing to be said of it."""


@dataclass(frozen=True, slots=True, eq=False)
class Through:
    """How stars look, and through what."""

    relation: StarColours
    camera: str
    filter: str
    narrow: bool
    system_error: npt.NDArray[np.float64]
    """(3,) magnitudes by which the curves may be off for light of the Sun's colour; NaN in the standard system, whose
    own error is told as 0.1 at most."""
    notes: tuple[str, ...]


def named_path(gear: Gear) -> tuple[Response | None, Filter | None]:
    """Camera and filter that a recipe names; None where it names none.

    Raises
    ------
    InputError
        There is none of that name; the nearest one is named.
    """
    return (
        camera_named(gear.camera) if gear.camera else None,
        filter_named(gear.filter) if gear.filter else None,
    )


def beam_of(gear: Gear, light: RawFrame | None) -> tuple[Beam | None, str]:
    """The converging light in which the filter stands, and who tells its f-ratio; None where nobody does.

    The recipe goes before the header of the reference light. No obstruction is counted, for neither states one.
    """
    if gear.f_ratio is not None:
        return Beam(gear.f_ratio), "gear.f_ratio"
    if light is None or not (light.focal_mm and light.aperture_mm):
        return None, ""
    ratio = light.focal_mm / light.aperture_mm
    return (Beam(ratio), IN_HEADER) if ratio >= FASTEST else (None, "")


def beam_words(passed: Filter, beam: Beam | None, origin: str) -> str:
    """Which f-ratio counts in the filter, and who tells it; empty where there is no filter."""
    if not passed.bands and passed.table is None:
        return ""
    if beam is None:
        return (
            f"light is counted as straight through {passed.name}, for neither recipe nor header tells an f-ratio "
            "(gear.f_ratio, --f-ratio)"
        )
    said = f"light converges through {passed.name} at f/{beam.f_ratio:.3g} ({origin})"
    wave = np.arange(WAVE_NM[0], WAVE_NM[-1], STEP_NM)
    wave = wave[passed.at(wave) > LITTLE * passed.at(wave).max()]
    left = float((passed.at(wave, beam) / passed.at(wave)).mean()) if wave.size else 1.0
    if left < LITTLE:
        said += (
            f", which leaves {100 * left:.0f} % of the light within its bands; if its maker shifted them for fast "
            "optics, name a large gear.f_ratio or --f-ratio, such as 30"
        )
    return said


def light_of(
    gear: Gear, header_filter: str | None, mass: float | None, light: RawFrame | None = None
) -> Through:
    """What stars look like through camera and filter.

    Parameters
    ----------
    gear : Gear
        Of the recipe.
    header_filter : str or None
        What the lights call their filter.
    mass : float or None
        Air masses towards the field; None: not known.
    light : RawFrame or None
        The reference light, whose header may tell the f-ratio.
    """
    camera, named = named_path(gear)
    passed, notes = _passed(named, header_filter)
    narrow = passed.narrow  # too little continuum for V and for the standard system to be told
    unknown = camera is None
    beam, origin = beam_of(gear, light)
    if (narrow or not unknown) and (words := beam_words(passed, beam, origin)):
        notes.append(words)
    path = LightPath((camera or sensor(GENERIC)).seen_by(("R", "G", "B")), passed, beam)
    wave = _grid(path, narrow)
    curves = path.at(wave)
    if (curves.max(axis=1) <= 0).any():
        raise InputError(
            f"camera {path.response.name} behind filter {passed.name}: no light passes both; name others by "
            "gear.camera and gear.filter"
        )
    air = None if mass is None else air_shape(wave, mass)
    name = f"AB magnitudes through {path.response.name} behind {passed.name}"
    relation = through(wave, curves, ("R", "G", "B"), name, air)
    if unknown and not narrow:
        notes.append(
            "camera not named: colours of stars are those of the standard system, with a colour term"
        )
        relation = standard_colours().beside(relation)
        return Through(relation, "", passed.name, narrow, np.full(3, np.nan), tuple(notes))
    if unknown:
        notes.append(f"camera not named: {GENERIC}, the mean of those that are known, stands for it")
    return Through(relation, path.response.name, passed.name, narrow, _off(path, wave, curves), tuple(notes))


def _passed(named: Filter | None, header_filter: str | None) -> tuple[Filter, list[str]]:
    """The filter that recipe or header name, none where neither does, and what is to be said of it."""
    if named is None:
        known = known_filter(header_filter)
        strange = header_filter and known is None
        said = f"no filter is known by the name in the header ({header_filter}): counted as none; set gear.filter"
        return FILTERS[known or "none"], [said] if strange else []
    if not header_filter or named.name in (header_filter, known_filter(header_filter)):
        return named, []
    said = (
        f"the header names another filter ({header_filter}): colours are told as through {named.name}, which the "
        "recipe or --filter names"
    )
    return named, [said]


def _grid(path: LightPath, narrow: bool) -> npt.NDArray[np.float64]:
    wave = path.grid(STEP_NM if narrow else 1.0)
    return np.asarray(wave[(wave >= WAVE_NM[0]) & (wave <= WAVE_NM[-1])])


def _off(
    path: LightPath, wave: npt.NDArray[np.float64], curves: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """(3,) magnitudes by which the mean wavelengths of the curves, which may be off, move a Sun-like star."""
    spectra = star_spectra()
    nearest = int(np.abs(np.where(spectra.usual, spectra.b_v, np.inf) - SUN_B_V).argmin())
    sun = np.interp(wave, spectra.wave_nm, of_colour(SUN_B_V, nearest, spectra))
    share, even = weights(wave), ab_photons(wave)
    modes = path.modes_at(wave)
    change = modes @ (share * sun) / (curves @ (share * sun)) - modes @ (share * even) / (
        curves @ (share * even)
    )
    return np.asarray(MAG * np.sqrt((change**2).sum(axis=0)))
