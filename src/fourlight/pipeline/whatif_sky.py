"""The sky of a what-if: what the run knows of its own sky, and the light that the wish adds to each light."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.airmass import air_mass, lifted_deg
from fourlight.core.cfa import COLOURS
from fourlight.core.horizon import altitude_deg
from fourlight.errors import InputError
from fourlight.frames import RawFrame
from fourlight.pipeline.finished import Finished
from fourlight.pipeline.lightpaths import beam_of, beam_words, named_path
from fourlight.pipeline.whatif_stacks import regions_of
from fourlight.sensor.filters import FILTERS, known_filter
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.sensors import GENERIC, sensor
from fourlight.sky.site import EXTINCTION_MAG
from fourlight.stages.select import kind_of
from fourlight.stages.whatif_sky import Added, SkyWish, added_light, magnitudes, moon_tint, sky_levels

__all__ = ["USUAL_ALTITUDE", "Measured", "Stated", "light_to_add"]

Float64 = npt.NDArray[np.float64]

USUAL_ALTITUDE = 60.0


@dataclass(frozen=True, slots=True)
class Stated:
    """What the user says of the lights where headers or stars do not."""

    was_mag: float | None = None
    """V mag per square arcsec of the sky of the lights, as a meter shows it."""
    altitude_deg: float | None = None
    extinction_mag: float | None = None


@dataclass(frozen=True, slots=True)
class Measured:
    """Light to add, with what it rests on."""

    added: Added
    mag: Float64
    """(f,) V mag per square arcsec that the sky of each light had; NaN where it is not known."""
    assumed: tuple[str, ...]


def light_to_add(run: Finished, summary: Mapping[str, Any], wish: SkyWish, stated: Stated) -> Measured:
    """Light that the wish adds to every light of a stack.

    Raises
    ------
    InputError
        What the wish needs is not known of this run, or its lights have a brighter sky already.
    """
    _check_known(run)
    assumed: list[str] = []
    raws = [frame.measured.raw for frame in run.frames]
    regions = regions_of(run)
    read = np.array([run.calibration.noise_of(raw).read_noise_e or 0.0 for raw in raws])
    sky = sky_levels(run.frames, run.grid.matrix, regions.sky, regions.object, read)
    if not (sky.max(axis=1) > 0).all():
        raise InputError(
            "a light of this run holds no more than the level of no light, so that nothing tells how bright its sky "
            "was; see bias, darks or read.black_adu"
        )
    altitude = _altitude(raws, stated, assumed)
    extinction = EXTINCTION_MAG if stated.extinction_mag is None else stated.extinction_mag
    mag = np.full(len(sky), np.nan)
    if wish.mag is not None or wish.moon is not None:
        mag = _mags(sky, raws, summary, stated, extinction * float(air_mass(lifted_deg(altitude))), assumed)
    tint = np.ones(4)
    if wish.moon is not None:
        assumed.append(
            f"air takes {extinction:g} mag per air mass; the target is {altitude:.0f} degrees high, the Moon "
            f"{wish.moon.altitude_deg:.0f}"
        )
        tint = moon_tint(_path(run, assumed))
    added = added_light(wish, sky, mag, tint, altitude, extinction)
    return Measured(added, mag, tuple(assumed))


def _check_known(run: Finished) -> None:
    """Refuse a run of whose light nobody knows how much it is."""
    for frame in run.frames:
        noise = run.calibration.noise_of(frame.measured.raw)
        if not noise.gain_e_per_adu or noise.unit != "electron":
            raise InputError(
                "the gain of this run is not known, and with it how many photons its sky was; run it again with "
                "--set read.gain_e_per_adu=GAIN"
            )
        if not noise.pedestal_known:
            raise InputError(
                "no bias or dark of this run shows the level of no light, and with it how bright its sky was; take "
                "some, or run it again with --set read.black_adu=LEVEL"
            )


def _altitude(raws: Sequence[RawFrame], stated: Stated, assumed: list[str]) -> float:
    """Mean altitude of the target: as stated, from headers, or a usual one."""
    if stated.altitude_deg is not None:
        return stated.altitude_deg
    heights = [height for raw in raws if (height := _height(raw)) is not None]
    high = [height for height in heights if height > 5]
    if len(high) == len(raws):
        return float(np.mean(high))
    assumed.append(
        f"the target {USUAL_ALTITUDE:g} degrees high, for headers do not tell (--altitude says otherwise)"
    )
    return USUAL_ALTITUDE


def _height(raw: RawFrame) -> float | None:
    """Altitude of what a light points at; None where its header does not tell."""
    place = (raw.ra_deg, raw.dec_deg, raw.latitude_deg, raw.longitude_deg)
    known = [value for value in place if value is not None]
    if len(known) < len(place) or raw.time is None:
        return None
    return altitude_deg(known[0], known[1], known[2], known[3], raw.time.timestamp())


def _mags(
    sky: Float64, raws: Sequence[RawFrame], summary: Mapping[str, Any], stated: Stated, air_mag: float,
    assumed: list[str],
) -> Float64:  # fmt: skip
    """(f,) V of the sky of each light, as it shines on the ground."""
    seconds = np.array([raw.exposure_s or 1.0 for raw in raws])
    kinds = [kind_of(raw) for raw in raws]
    if stated.was_mag is not None:
        assumed.append(f"a sky of {stated.was_mag:g} in the median light, as --was says")
        return magnitudes(sky, seconds, kinds, dict.fromkeys(kinds, stated.was_mag))
    colour = summary.get("colour") or {}
    known = {
        night["night"]: night["sky"]["V"] + air_mag
        for night in colour.get("nights") or ()
        if (night.get("sky") or {}).get("V") is not None
    }
    nights = [raw.night for raw in raws]
    if not set(nights) <= known.keys():
        why = colour.get("sky_problem") or colour.get("problem") or summary.get("sky_problem")
        why = why or _why_no_v(colour)
        raise InputError(
            f"how bright the sky of these lights was is not known ({why}); say it with --was MAG, as a meter shows it, "
            "or ask for a multiple: --sky x2"
        )
    assumed.append(
        "the sky that catalogue stars tell, on the ground: fainter than the report's by what air takes from stars, "
        f"{air_mag:.2f} mag"
    )
    both = list(zip(nights, kinds, strict=True))
    return magnitudes(sky, seconds, both, {each: known[each[0]] for each in both})


def _why_no_v(colour: Mapping[str, Any]) -> str:
    """Why the sky of a night has no brightness in V."""
    if colour.get("narrow"):
        return "its filter is narrow"
    if colour.get("nights"):
        return "a colour of it holds no more than the level of no light, or it has a colour that no star has"
    return "no catalogue stars calibrated it"


def _path(run: Finished, assumed: list[str]) -> LightPath:
    """Camera and filter through which moonlight came."""
    recipe, reference = run.job.recipe, run.reference.raw
    camera, passed = named_path(recipe.gear)
    if camera is None:
        camera = sensor(GENERIC)
        assumed.append(
            "curves of the camera generic, the mean of those that come along; gear.camera names one"
        )
    if passed is None:
        name = known_filter(reference.filter_name) or "none"
        passed = FILTERS[name]
        assumed.append(f"the filter {name}" + (", as headers say" if name != "none" else ""))
    assumed.append("the sky of the lights has the colour of a black body of 4400 K, moonlight in it 8000 K")
    beam, origin = beam_of(recipe.gear, reference)
    assumed += [words] if (words := beam_words(passed, beam, origin)) else []
    return LightPath(camera.seen_by(COLOURS), passed, beam)
