"""Camera and filter that a recipe names, and what stars look like through them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.abmag import ab_photons
from fourlight.core.extinction import air_shape
from fourlight.core.passband import equivalent_nm, weights
from fourlight.errors import InputError
from fourlight.pipeline.curves import camera_named, filter_named
from fourlight.recipe_gear import Gear
from fourlight.sensor.filters import FILTERS, Beam, Filter, known_filter
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.response import Response
from fourlight.sensor.sensors import GENERIC, sensor
from fourlight.sky.starcolours import SUN_B_V, StarColours, standard_colours, through
from fourlight.sky.starspectra import of_colour, star_spectra

__all__ = ["Through", "beam_of", "light_of", "named_path"]

NARROW_NM = 60.0
"""Equivalent width from which on a band holds enough of a continuum for V and for the standard system to be told."""
WAVE_NM = np.arange(350.0, 1000.5, 1.0)
STEP_NM = 0.2


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


def beam_of(gear: Gear) -> Beam | None:
    """The converging light in which the filter stands; None where no f-ratio is named."""
    return None if gear.f_ratio is None else Beam(gear.f_ratio)


def light_of(gear: Gear, header_filter: str | None, mass: float | None) -> Through:
    """What stars look like through camera and filter.

    Parameters
    ----------
    gear : Gear
        Of the recipe.
    header_filter : str or None
        What the lights call their filter.
    mass : float or None
        Air masses towards the field; None: not known.
    """
    camera, passed = named_path(gear)
    notes = []
    if (
        passed is not None
        and header_filter
        and passed.name not in (header_filter, known_filter(header_filter))
    ):
        notes.append(
            f"the header names another filter ({header_filter}): colours are told as through {passed.name}, which the "
            "recipe or --filter names"
        )
    if passed is None:
        known = known_filter(header_filter)
        passed = FILTERS[known or "none"]
        if header_filter and known is None:
            notes.append(
                f"no filter is known by the name in the header ({header_filter}): counted as none; set gear.filter"
            )
    narrow = _is_narrow(passed)
    unknown = camera is None
    path = LightPath((camera or sensor(GENERIC)).seen_by(("R", "G", "B")), passed, beam_of(gear))
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


def _is_narrow(passed: Filter) -> bool:
    share = passed.at(WAVE_NM)
    return bool(share.max() > 0 and equivalent_nm(WAVE_NM, share) < 2 * NARROW_NM)


def _grid(path: LightPath, narrow: bool) -> npt.NDArray[np.float64]:
    low, high = path.response.range_nm
    low, high = max(low, WAVE_NM[0]), min(high, WAVE_NM[-1])
    return np.linspace(low, high, round((high - low) / (STEP_NM if narrow else 1.0)) + 1)


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
    return np.asarray(2.5 / np.log(10.0) * np.sqrt((change**2).sum(axis=0)))
