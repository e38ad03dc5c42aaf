"""What a comparison takes for granted: each assumption with its range and source, and draws from within."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.clock import DITHER, DOWNLOAD, REFOCUS_EVERY
from fourlight.sensor.mono import DYES_PASS, DYES_RANGE
from fourlight.stages.compare_light import Counted, Parts
from fourlight.stages.compare_setup import Setup

__all__ = ["GROUPS", "Draw", "Group", "as_drawn", "as_drawn_parts", "drawn", "groups_of", "noise_factors"]

Float64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Group:
    """One kind of assumption."""

    name: str
    range: str
    source: str


LEAST_PASSED = 0.05
"""Share of light that optics and filters of a draw pass at least."""
GROUPS = {
    group.name: group
    for group in (
        Group("curves", "errors of the curves of each camera, one standard deviation as its table has it",
              "5 % assumed where a table states none, for generic and scaled ones the spread between cameras"),
        Group("efficiency", "electrons per photon at best, 10 % either way (one standard deviation), at most 1",
              "assumed; makers' figures differ so from measured ones"),
        Group("dyes", f"a dye passes {DYES_RANGE[0]:g} to {DYES_RANGE[1]:g} at its best, {DYES_PASS:g} unless stated",
              "assumed; more than 1 is impossible"),
        Group("optics", "what optics pass, 0.05 more or less", "assumed; coatings age and gather dust"),
        Group("filters", "what each filter passes at its best, 0.07 more or less", "assumed, of filters as made"),
        Group("nebula", "[NII] and Hβ against Hα, the two [SII] lines against each other",
              "ranges of nebulae, docs/responses.md"),
        Group("sky", "the dark sky 0.3 mag brighter or darker", "assumed; airglow changes so within nights"),
        Group("glow", "the sky in narrow bands 0.7 to 1.5 times that of its even light, at [OIII] and at Hα apart",
              "assumed; lines of airglow and lamps are not in the model"),
        Group("moonlight", "moonlight 0.17 mag either way (one standard deviation)",
              "Krisciunas & Schaefer 1991: 8 to 23 %"),
        Group("air", "air takes 0.05 mag per air mass more or less", "assumed; haze and dust"),
        Group("noise", "read noise 10 % more or less, dark current half to double", "assumed"),
        Group("overheads", "changes, refocus, reading out and dithering each take 0.7 to 1.5 times as long",
              "assumed"),
        Group("seeing", "seeing of 2 to 4 arcsec; it counts for stars, not for a patch",
              "assumed, of sites in the plain"),
    )
}  # fmt: skip
"""In the order in which they are told."""


@dataclass(frozen=True)
class Draw:
    """One set of values within all ranges; as it stands, those that are stated."""

    curves: dict[str, Float64] = field(default_factory=dict)
    """Standard deviations of each error of curves, by camera."""
    ratios: Float64 = field(default_factory=lambda: np.zeros(0))
    efficiency: dict[str, float] = field(default_factory=dict)
    dyes_pass: float | None = None
    optics: dict[str, float] = field(default_factory=dict)
    """By which transmissions differ, added."""
    filters: dict[tuple[int, int], float] = field(default_factory=dict)
    """The same, by setup and filter."""
    dark_mag: float = 0.0
    moon_mag: float = 0.0
    air_mag: float = 0.0
    glow: tuple[float, float] = (1.0, 1.0)
    """At [OIII] and at Hα."""
    read: dict[str, float] = field(default_factory=dict)
    dark: dict[str, float] = field(default_factory=dict)
    costs: tuple[Float64 | None, ...] = (None, None)
    """(5,) factors of each setup."""
    seeing_arcsec: float | None = None


def _camera(one: Counted) -> str:
    """Setups share errors of a camera where it is the same."""
    response = one.glass.rig.response
    return f"{response.name} {response.source} {len(response.modes)}"


def _chip(one: Counted) -> str:
    return f"{_camera(one)} {one.glass.rig.chip} {one.glass.rig.channels}"


def _lens(one: Counted) -> str:
    """Optics, whoever said what they pass."""
    return str(replace(one.glass.rig.optics, assumed=False))


def groups_of(setups: Sequence[Setup], lights: Sequence[Sequence[Counted]], *, moon: bool) -> list[str]:
    """Names of the assumptions that bear on these setups."""
    every = [one for light in lights for one in light]
    absent = {
        "dyes": all(one.glass.dyes_pass is None for one in every),
        "nebula": not every[0].ratio_modes.size,
        "glow": not any(one.glass.narrow for one in every),
        "moonlight": not moon,
        "filters": all(one.glass.rig.filter.name == "none" for one in every),
    }
    return [name for name in GROUPS if not absent.get(name, False)]


def drawn(
    seed: int, number: int, lights: Sequence[Sequence[Counted]], only: Sequence[str], seeing_arcsec: float
) -> Draw:
    """The draw of a number: assumptions that are named vary, each by itself, so that fewer names change no others."""
    every = [one for light in lights for one in light]
    draw = Draw(seeing_arcsec=seeing_arcsec)
    for place, name in enumerate(GROUPS):
        if name in only:
            rng = np.random.default_rng(np.random.SeedSequence([seed, place, number]))
            draw = replace(draw, **_varied(name, rng, every, lights))
    return replace(draw, efficiency=_possible(draw, every))


def _possible(draw: Draw, every: list[Counted]) -> dict[str, float]:
    """Efficiencies of a draw, none of which makes more than one electron of a photon.

    What is too much for one setup is taken from all with the same camera: a sensor beneath dyes that would have to
    make more than one is worse with them too.
    """
    found: dict[str, float] = {}
    for one in every:
        name = _camera(one)
        found[name] = min(found.get(name, draw.efficiency.get(name, 1.0)), 1 / _most(one, draw))
    return found


def _most(one: Counted, draw: Draw) -> float:
    """Electrons per photon at the best wavelength, with curves and dyes of a draw and the efficiency that is stated."""
    response = one.glass.rig.response
    curves = response.curves
    if _camera(one) in draw.curves:
        curves = curves + np.tensordot(draw.curves[_camera(one)], response.modes, 1)
    return float(curves.max()) * one.glass.rig.efficiency * _dyes(one, draw)


def _dyes(one: Counted, draw: Draw) -> float:
    """By which a sensor whose dyes were taken away counts more where they pass what they do in a draw."""
    stated = one.glass.dyes_pass
    return 1.0 if stated is None or draw.dyes_pass is None else stated / draw.dyes_pass


def _varied(
    name: str, rng: np.random.Generator, every: list[Counted], lights: Sequence[Sequence[Counted]]
) -> dict[str, Any]:
    cameras = {_camera(one): len(one.glass.rig.response.modes) for one in every}
    if name == "curves":
        return {"curves": {each: rng.standard_normal(count) for each, count in cameras.items()}}
    if name == "efficiency":
        return {"efficiency": {each: float(max(0.3, 1 + 0.1 * rng.standard_normal())) for each in cameras}}
    if name == "dyes":
        return {"dyes_pass": rng.uniform(*DYES_RANGE)}
    if name == "optics":
        return {"optics": {each: rng.uniform(-0.05, 0.05) for each in dict.fromkeys(map(_lens, every))}}
    if name == "filters":
        pairs = [(a, k) for a, light in enumerate(lights) for k in range(len(light))]
        return {"filters": {pair: rng.uniform(-0.07, 0.07) for pair in pairs}}
    if name == "nebula":
        return {"ratios": rng.standard_normal(len(every[0].ratio_modes))}
    if name == "glow":
        return {"glow": tuple(np.exp(rng.uniform(np.log(0.7), np.log(1.5), 2)).tolist())}
    if name == "noise":
        chips = dict.fromkeys(_chip(one) for one in every)
        return {
            "read": {each: rng.uniform(0.9, 1.1) for each in chips},
            "dark": {each: float(2.0 ** rng.uniform(-1, 1)) for each in chips},
        }
    if name == "overheads":
        return {"costs": _costs(rng, len(lights))}
    single = {
        "sky": ("dark_mag", rng.uniform(-0.3, 0.3)),
        "moonlight": ("moon_mag", 0.17 * rng.standard_normal()),
        "air": ("air_mag", rng.uniform(-0.05, 0.05)),
        "seeing": ("seeing_arcsec", rng.uniform(2.0, 4.0)),
    }
    return dict([single[name]])


def _costs(rng: np.random.Generator, setups: int) -> tuple[Float64, ...]:
    """The mount and the focuser are the same for all, the wheel and the camera are not."""
    shared = np.exp(rng.uniform(np.log(0.7), np.log(1.5), 5))
    found = []
    for _ in range(setups):
        own = np.exp(rng.uniform(np.log(0.7), np.log(1.5), 5))
        factors = shared.copy()
        factors[[0, DOWNLOAD]] = own[[0, DOWNLOAD]]
        factors[DITHER], factors[REFOCUS_EVERY] = shared[DITHER], 1.0
        found.append(factors)
    return tuple(found)


def as_drawn(seen: Counted, draw: Draw, place: tuple[int, int]) -> Counted:
    """What a filter counts with the values of a draw; ``place`` is its setup and its number in it."""
    rig = seen.glass.rig
    z = draw.curves.get(_camera(seen), np.zeros(len(seen.column_modes)))
    columns = seen.columns + np.tensordot(z, seen.column_modes, 1)
    if draw.ratios.size:
        columns = columns + np.tensordot(draw.ratios, seen.ratio_modes, 1)
    skies = seen.skies + np.tensordot(z, seen.sky_modes, 1)
    star = np.maximum(seen.star + z @ seen.star_modes, 0.0)
    factor = draw.efficiency.get(_camera(seen), 1.0)
    passed = rig.optics.transmission
    factor *= float(np.clip(passed + draw.optics.get(_lens(seen), 0.0), LEAST_PASSED, 1.0)) / passed
    if rig.filter.name != "none":
        best = rig.filter.best
        factor *= float(np.clip(best + draw.filters.get(place, 0.0), LEAST_PASSED, 1.0)) / best
    factor *= _dyes(seen, draw)
    glow = np.ones(len(seen.towards_red))
    if seen.glass.narrow:
        glow = draw.glow[0] + (draw.glow[1] - draw.glow[0]) * seen.towards_red
    return replace(
        seen, columns=np.maximum(columns, 0.0) * factor, star=star * factor,
        skies=np.maximum(skies, 0.0) * factor * glow[:, None],
    )  # fmt: skip


def as_drawn_parts(parts: Parts, draw: Draw) -> Parts:
    """The hours under the sky of a draw."""
    return replace(
        parts, dark_mag=parts.dark_mag + draw.dark_mag, moonlit_mag=parts.moonlit_mag + draw.moon_mag,
        extinction_mag=max(0.0, parts.extinction_mag + draw.air_mag),
    )  # fmt: skip


def noise_factors(seen: Counted, draw: Draw) -> tuple[float, float]:
    """By which read noise and dark current differ."""
    return draw.read.get(_chip(seen), 1.0), draw.dark.get(_chip(seen), 1.0)
