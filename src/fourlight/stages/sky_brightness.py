"""How bright the sky was in each night, in magnitudes per square arcsecond."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fourlight.core.cfa import COLOURS
from fourlight.sky.starcolours import SUN_B_V
from fourlight.stages.colour_calibration import ColourCalibration

__all__ = ["CLEAREST", "NightSky", "night_skies"]

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
    frames: Sequence[Mapping[str, Any]], found: ColourCalibration, exposure_s: float, area_arcsec2: float,
    *, broad: bool = True,
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
    area_arcsec2 : float
        Of a raw pixel.
    broad : bool
        Whether the channels are wide enough for V to follow from them.
    """
    planes = {name: (("G1", "G2") if name == "G" else (name,)) for name in COLOURS if name in found.planes}
    known = [frame for frame in frames if frame.get("exposure_s")]
    clear = {
        name: float(np.percentile([_of(f, "transparency", p) * exposure_s / f["exposure_s"] for f in known], CLEAREST))
        for name, p in planes.items()
    } if known else {}  # fmt: skip
    nights = dict.fromkeys(frame.get("night") for frame in known)
    out = []
    for night in sorted(nights, key=lambda name: name or ""):
        own = [frame for frame in known if frame.get("night") == night]
        rates = {
            name: np.array([_of(frame, "sky", p) / frame["exposure_s"] for frame in own]) / area_arcsec2
            for name, p in planes.items()
        }
        if any(not (rate > 0).all() for rate in rates.values()) or not rates:
            continue
        seen = {name: -2.5 * np.log10(rate) + 2.5 * np.log10(clear[name]) for name, rate in rates.items()}
        middle = {name: float(np.median(values)) for name, values in seen.items()}
        magnitude, b_v = _calibrated(middle, found)
        light = SKY_B_V if b_v is None else b_v
        error = {
            name: float(np.sqrt(found.error_at(name, light) ** 2 + FEW**2 + np.var(seen[name]) / len(own)))
            for name in middle
        }
        if broad and b_v is not None and "G" in magnitude:
            less = found.relation.less_v(b_v)[found.relation.channels.index("G")]
            magnitude["V"] = magnitude["G"] - float(less)
            error["V"] = float(np.hypot(error["G"], 0.02))
        greens = seen.get("G", next(iter(seen.values())))
        out.append(NightSky(night, magnitude, error, float(np.std(greens))))
    return out


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
