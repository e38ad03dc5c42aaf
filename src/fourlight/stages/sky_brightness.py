"""How bright the sky was in each night, in magnitudes per square arcsecond."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.abmag import MAG
from fourlight.core.cfa import COLOURS
from fourlight.sky.starcolours import SUN_B_V
from fourlight.stages.colour_calibration import ColourCalibration

__all__ = ["CLEAREST", "NightSky", "night_skies"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

CLEAREST = 90.0
"""Percentile of the light of frames that counts as clear air."""
ROUNDS = 6
SKY_B_V = 0.9
"""Where the colour of the sky lies beyond that of stars: of the dark sky, 0.93 (Krisciunas 1997, PASP 109, 1181)."""
FEW = 0.02
"""Magnitudes by which a level may be off at least: flats, dark current that no dark took off."""


@dataclass(frozen=True, slots=True)
class NightSky:
    """Medians over the lights of a night."""

    night: str | None
    magnitude: dict[str, float]
    """Magnitude per square arcsecond by channel, and ``V`` where it can be told."""
    error: dict[str, float]
    scatter: float
    """Of the lights of the night, in green."""


def night_skies(
    frames: Sequence[Mapping[str, Any]], found: ColourCalibration, exposure_s: float, area_arcsec2: npt.ArrayLike,
    *, kinds: Sequence[int] | None = None, broad: bool = True,
) -> list[NightSky]:  # fmt: skip
    """Sky brightness by night, as stars seen through the same air at its clearest.

    The sky shines from within the air and above it; its light is told in magnitudes of stars that were seen through all
    of that air. On the ground, where extinction is taken off stars first, it counts as fainter by the extinction.

    Parameters
    ----------
    frames : sequence of mapping
        ``frames`` of the summary: ``sky`` is free of the level of no light, ``transparency`` holds the exposure.
    found : ColourCalibration
        Of the stack.
    exposure_s : float
        Of the reference light.
    area_arcsec2 : float, or (f,)
        Of a raw pixel, of each frame where they differ.
    kinds : (f,) sequence of int or None
        Which frames are of one camera and its optics, whose light is compared with that of their own clearest air;
        None: all are.
    broad : bool
        Whether the channels are wide enough for V to follow from them.

    Returns
    -------
    list of NightSky
        Without channels in which a night's median light holds no more than the level of no light, and without nights
        that have no other.
    """
    planes = {name: (("G1", "G2") if name == "G" else (name,)) for name in COLOURS if name in found.planes}
    known = [k for k, frame in enumerate(frames) if frame.get("exposure_s")]
    area = np.broadcast_to(np.asarray(area_arcsec2, dtype=np.float64), len(frames))
    kind = np.zeros(len(frames), int) if kinds is None else np.asarray(kinds)
    rates = {name: _beside_stars([frames[k] for k in known], p, exposure_s, area[known], kind[known])
             for name, p in planes.items()}  # fmt: skip
    nights = np.array([frames[k].get("night") or "" for k in known])
    out = []
    for night in sorted(set(nights.tolist())):
        own = {name: rate[nights == night] for name, rate in rates.items()}
        usual = {name: middle for name, rate in own.items() if (middle := float(np.median(rate))) > 0}
        if usual:
            scatter = {name: MAG * float(np.std(own[name])) / middle for name, middle in usual.items()}
            out.append(_night(night or None, usual, scatter, len(own[next(iter(usual))]), found, broad))
    return out


def _beside_stars(
    frames: Sequence[Mapping[str, Any]], planes: Sequence[str], exposure_s: float, area: Float64, kind: Int64
) -> Float64:
    """(f,) light of the sky from a square arcsecond in a second, as that of stars is in the reference light."""
    rate = np.array([_of(frame, "sky", planes) / frame["exposure_s"] for frame in frames]) / area
    light = np.array([_of(f, "transparency", planes) * exposure_s / f["exposure_s"] for f in frames])
    for each in np.unique(kind):
        rate[kind == each] /= np.percentile(light[kind == each], CLEAREST)
    return rate


def _night(
    name: str | None, usual: Mapping[str, float], scatter: Mapping[str, float], lights: int, found: ColourCalibration,
    broad: bool,
) -> NightSky:  # fmt: skip
    """A night of such rates and of so much scatter, magnitudes."""
    magnitude, b_v = _calibrated({c: -2.5 * float(np.log10(rate)) for c, rate in usual.items()}, found)
    light = SKY_B_V if b_v is None else b_v
    error = {
        c: float(np.sqrt(found.error_at(c, light) ** 2 + FEW**2 + scatter[c] ** 2 / lights)) for c in usual
    }
    if broad and b_v is not None and "G" in magnitude:
        less = found.relation.less_v(b_v)[found.relation.channels.index("G")]
        magnitude["V"] = magnitude["G"] - float(less)
        error["V"] = float(np.hypot(error["G"], 0.02))
    return NightSky(name, magnitude, error, scatter.get("G", next(iter(scatter.values()))))


def _of(frame: Mapping[str, Any], key: str, planes: Sequence[str]) -> float:
    return float(np.mean([frame[key][plane] for plane in planes]))


def _calibrated(
    middle: Mapping[str, float], found: ColourCalibration
) -> tuple[dict[str, float], float | None]:
    """Magnitudes with the colour terms of the colour that they show, and that colour as B-V where stars have it."""
    b_v: float | None = SKY_B_V if set(middle) >= set(COLOURS) else SUN_B_V
    for _ in range(ROUNDS):
        magnitude = {
            name: value + found.zero(name, SKY_B_V if b_v is None else b_v) for name, value in middle.items()
        }
        if not set(middle) >= set(COLOURS):
            return magnitude, None
        b_v = found.relation.b_v_of(np.array([magnitude[name] for name in found.relation.channels]))
    return magnitude, b_v
