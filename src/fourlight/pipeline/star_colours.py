"""Colour calibration of a stack whose place on the sky is known, by its catalogue stars."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.blur import air_mass
from fourlight.core.cfa import PLANES
from fourlight.core.horizon import altitude_deg
from fourlight.errors import FourlightError, StageError
from fourlight.frames import RawFrame, StarList
from fourlight.pipeline.lightpaths import Through, light_of
from fourlight.pipeline.reference_light import reference_filter
from fourlight.recipe import Recipe
from fourlight.recipe_sky import Sky
from fourlight.sky.moon import lit_share, moon_altitudes, moon_separations
from fourlight.sky.plate import PlateSolution
from fourlight.stages.colour_calibration import ColourCalibration, calibrate, limits, white_point
from fourlight.stages.region_samples import StackReader
from fourlight.stages.sky_brightness import night_skies
from fourlight.stages.star_fluxes import StarFluxes, star_fluxes
from fourlight.stages.star_phase import StarPhase, star_phase

__all__ = ["Coloured", "air_masses", "coloured", "fluxes_of", "sky_and_room"]

Float64 = npt.NDArray[np.float64]

LOWEST_DEG = 10.0
GUESSED = (None, "unknown", "lights")
"""Where the level of no light is from, if it is not good enough to tell the sky by: lights show it to some per cent of
the sky at best."""
Site = tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Coloured:
    """What catalogue stars say of the colours of a stack."""

    facts: dict[str, Any]
    """What ``summary.json`` tells under ``colour``."""
    stars: StarFluxes | None = None
    found: ColourCalibration | None = None
    remarks: list[str] = field(default_factory=list)
    """What a user must know."""


def fluxes_of(
    layers: StackReader, summary: Mapping[str, Any], stars: StarList, solution: PlateSolution
) -> StarFluxes:
    """Light of the catalogue stars of a stack in every plane."""
    planes = summary["planes"]
    told = [planes.get(p, {}).get("fwhm_px") for p in PLANES]
    usual = max((width for width in told if width), default=float(np.median(stars.fwhm_px)))
    widths = np.array([width or usual for width in told])
    return star_fluxes(layers, stars, solution, widths, *sky_and_room(planes, PLANES))


def sky_and_room(planes: Mapping[str, Any], names: Sequence[str]) -> tuple[Float64, Float64]:
    """Level (c,) of the empty sky of planes of a stack, and what is left (c,) from there to full samples.

    ``planes`` are those of ``summary.json``; NaN where they do not tell it.
    """
    sky, full = (
        np.array([planes.get(name, {}).get(key) for name in names], dtype=np.float64)
        for key in ("sky", "full")
    )
    return sky, full - sky


def coloured(
    layers: StackReader, summary: Mapping[str, Any], stars: StarList, solution: PlateSolution, recipe: Recipe,
    site: Site | None, light: RawFrame | None = None,
) -> Coloured:  # fmt: skip
    """Zero points, white point, sky brightness and mosaic of a stack by its catalogue stars.

    What cannot be told says why; nothing is raised for it.

    Parameters
    ----------
    layers : StackReader
        Of the stack.
    summary : mapping
        Content of ``summary.json``.
    stars : StarList
        Of the stack.
    solution : PlateSolution
    recipe : Recipe
        Names camera, filter and white star.
    site : (float, float) or None
        Latitude and longitude, degrees, east.
    light : RawFrame or None
        The reference light; None where it is gone.
    """
    seen = fluxes_of(layers, summary, stars, solution)
    phase = star_phase(seen, summary["mosaic"]["pattern"])
    facts: dict[str, Any] = {
        "stars": _counts(seen),
        "mosaic": _mosaic(phase, summary["mosaic"]),
        "nights": _moons(summary, solution, site),
    }
    remarks = [facts["mosaic"]["sentence"]] if facts["mosaic"]["contradicted"] else []
    try:
        mass = air_masses(summary, solution.ra_deg, solution.dec_deg, site)
        seen_by = light_of(recipe.gear, reference_filter(summary), mass, light)
        exposure, notes = _exposure(summary)
        found = calibrate(seen, seen_by.relation, exposure)
    except FourlightError as error:
        problem = f"{error.measured}; {error.needed}" if isinstance(error, StageError) else str(error)
        return Coloured({**facts, "problem": problem}, seen, None, remarks)
    facts |= _light_facts(seen_by, found, recipe.sky)
    facts["stars"]["used"] = int(found.used.sum())
    facts["zero_points"] = _zero_points(found, seen_by)
    facts["white"] = _white(found, recipe.sky.white_b_v, narrow=seen_by.narrow)
    noise, fwhm = (
        {p: summary["planes"][p][key] for p in summary["planes"] if summary["planes"][p].get(key)}
        for key in ("noise", "fwhm_px")
    )
    facts["limits"] = limits(found, noise, fwhm, exposure)
    facts["nights"], why = _skies(facts["nights"], summary, found, solution, exposure, seen_by)
    facts["sky_problem"] = why
    facts["unit"] = summary["unit"]
    facts["notes"] = [*seen_by.notes, *notes]
    return Coloured(facts, seen, found, remarks)


def _counts(seen: StarFluxes) -> dict[str, int]:
    return {
        "found": len(seen),
        "full": int(seen.full.sum()),
        "not_alone": int((~seen.alone & ~seen.full).sum()),
        "good": int(seen.good.sum()),
        "used": 0,
    }


def _light_facts(light: Through, found: ColourCalibration, chosen: Sky) -> dict[str, Any]:
    return {
        "system": found.relation.system,
        "camera": light.camera or None,
        "filter": light.filter,
        "narrow": light.narrow,
        "white_b_v": chosen.white_b_v,
    }


def _zero_points(found: ColourCalibration, light: Through) -> dict[str, dict[str, float | None]]:
    out = {}
    for k, plane in enumerate(found.planes):
        system = float(light.system_error["RGB".index(plane[0])])
        out[plane] = {
            "magnitude": float(found.points.value[k]),
            "error": float(found.error[k]),
            "system_error": system if np.isfinite(system) else None,
            "scatter": float(found.points.scatter[k]),
            "colour_term": float(found.points.slope[k]),
            "colour_term_error": float(found.points.slope_error[k]),
        }
    return out


def _white(found: ColourCalibration, b_v: float, *, narrow: bool) -> dict[str, Any] | None:
    white = white_point(found, b_v)
    if white is None:
        return None
    note = (
        "behind this filter the factors make the even light of such a star white, as it comes through the bands; how "
        "bright emission lines are against each other they leave as it is, and cannot mend"
        if narrow
        else None
    )
    names = ("R", "G", "B")
    return {
        "b_v": b_v,
        "factors": dict(zip(names, white.factors.tolist(), strict=True)),
        "error": dict(zip(names, white.error.tolist(), strict=True)),
        "covariance": white.covariance.tolist(),
        "note": note,
    }


def _mosaic(phase: StarPhase, mosaic: Mapping[str, Any]) -> dict[str, Any]:
    """What the stars say of the mosaic, and whether that is what was used or stated."""
    used, stated = str(mosaic["pattern"]), mosaic.get("stated")
    wrong = phase.pattern is not None and phase.pattern != used
    stars = f"{phase.stars} catalogue stars"
    if phase.pattern is None:
        sentence = (
            f"{stars} cannot tell which samples are red ({phase.sigma:.1f} sigma); more of them, or a filter with more "
            "light, would"
        )
    elif wrong:
        sentence = (
            f"the mosaic is {phase.pattern}, not {used}: {stars} show it at {phase.sigma:.0f} sigma; run again with "
            f"--set read.mosaic={phase.pattern}"
        )
    else:
        against = f", though the header says {stated}" if stated and stated != used else ""
        sentence = (
            f"{used} is right{against}: the colours of {stars} follow their B-V (correlation {phase.correlation:+.2f}, "
            f"{phase.sigma:.0f} sigma)"
        )
    return {
        "shown": phase.pattern,
        "used": used,
        "contradicted": wrong,
        "correlation": phase.correlation,
        "sigma": phase.sigma,
        "stars": phase.stars,
        "sentence": sentence,
    }


def _exposure(summary: Mapping[str, Any]) -> tuple[float, list[str]]:
    """Exposure of the reference light, s; what was taken for granted."""
    reference = summary["grid"]["reference"]
    for frame in summary["frames"]:
        if frame["file"] == reference and frame.get("exposure_s"):
            return float(frame["exposure_s"]), []
    return 1.0, ["the header of the reference light states no exposure: zero points are for the whole of it"]


def _times(frames: Sequence[Mapping[str, Any]]) -> list[datetime]:
    return [datetime.fromisoformat(frame["time"]) for frame in frames if frame.get("time")]


def air_masses(summary: Mapping[str, Any], ra_deg: float, dec_deg: float, site: Site | None) -> float | None:
    """Mean air mass of the lights towards a place; None where it is not known."""
    times = _times(summary["frames"])
    if site is None or not times:
        return None
    heights = [altitude_deg(ra_deg, dec_deg, *site, time.timestamp()) for time in times]
    high = [height for height in heights if height > LOWEST_DEG]
    return float(np.mean(air_mass(high))) if len(high) > len(heights) / 2 else None


def _moons(summary: Mapping[str, Any], solution: PlateSolution, site: Site | None) -> list[dict[str, Any]]:
    """The Moon in each night, at the middle of its lights."""
    out = []
    for night in summary["nights"]:
        frames = [frame for frame in summary["frames"] if frame.get("night") == night["night"]]
        times = sorted(_times(frames))
        middle = times[len(times) // 2 : len(times) // 2 + 1]
        moon = None
        if middle:
            apart = moon_separations(middle, solution.ra_deg, solution.dec_deg, site)
            height = moon_altitudes(middle, *site) if site else [None]
            moon = {
                "lit": float(lit_share(middle)[0]),
                "separation_deg": float(apart[0]),
                "altitude_deg": None if height[0] is None else float(height[0]),
            }
        out.append({"night": night["night"], "moon": moon, "sky": None, "error": None, "scatter": None})
    return out


def _pixels(frame: Mapping[str, Any]) -> float:
    """Area of a raw pixel of a light in pixels of the stack."""
    return abs(float(np.linalg.det(np.array(frame["matrix"])[:, :2])))


def _skies(
    nights: list[dict[str, Any]], summary: Mapping[str, Any], found: ColourCalibration, solution: PlateSolution,
    exposure: float, light: Through,
) -> tuple[list[dict[str, Any]], str | None]:  # fmt: skip
    """Nights with the brightness of their sky; or why it cannot be told."""
    kinds = summary.get("kinds") or [{"noise": summary["noise"]}]
    if any(kind["noise"].get("pedestal_source") in GUESSED for kind in kinds):
        return nights, (
            "how bright the sky was cannot be told, for no bias or dark shows the level of no light: take some, or set "
            "read.black_adu"
        )
    frames = summary["frames"]
    kind_of = {path: k for k, kind in enumerate(kinds) for path in kind.get("files", ())}
    skies = night_skies(
        frames, found, exposure, [_pixels(frame) * solution.scale_arcsec**2 for frame in frames],
        kinds=[kind_of.get(frame["path"], 0) for frame in frames], broad=not light.narrow,
    )  # fmt: skip
    known = {sky.night: sky for sky in skies}
    if not known:
        return nights, "how bright the sky was cannot be told: no light holds more than the level of no light"
    return [
        night | {"sky": sky.magnitude, "error": sky.error, "scatter": sky.scatter}
        if (sky := known.get(night["night"]))
        else night
        for night in nights
    ], None
