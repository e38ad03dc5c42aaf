"""Whether a stack can be made sharper, and how far: what its stars, its halves and its pixels allow."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core import refocus
from fourlight.core.cfa import COLOURS
from fourlight.core.fieldprofile import FieldProfile
from fourlight.frames import StarList
from fourlight.stages.canvas import some
from fourlight.stages.confirmed_band import finest_confirmed
from fourlight.stages.field_profiles import Profiles, peaks

__all__ = ["Plan", "planned"]

Float32 = npt.NDArray[np.float32]
Planes = Mapping[str, Float32]

RING_SIGMA = 1.0
"""Depth of a dark ring over the noise of a pixel that even the brightest star that is not full must not get."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What sharpening aims at, or why nothing is done."""

    profiles: dict[str, FieldProfile]
    """The stars of each channel as they are; none where they tell none."""
    finest: float
    """Frequency up to which all channels are confirmed by their halves, cycles per pixel; NaN where none is."""
    target_px: float
    """Width of the stars that is aimed at; NaN where nothing is done."""
    why: str
    """Why nothing is done; empty where something is."""

    @property
    def widths(self) -> dict[str, float]:
        """Of the stars of each channel in the middle of the field, pixels."""
        return {c: profile.fwhm_px() for c, profile in self.profiles.items()}

    @property
    def sharpened(self) -> tuple[str, ...]:
        """Channels that gain by it."""
        return tuple(
            c for c, width in self.widths.items() if self.target_px <= refocus.LEAST_GAIN * width * (1 + 1e-9)
        )


def planned(
    planes: Planes, variances: Planes, halves: tuple[Planes, Planes] | None, stars: StarList, known: Profiles,
    narrower: float = 0.0,
) -> Plan:  # fmt: skip
    """What stars can be brought to in all channels alike: others would get rims of colour.

    Parameters
    ----------
    planes, variances, halves, stars, narrower
        As of `fourlight.stages.sharpen.sharpen`.
    known : Profiles
        Of these planes.
    """
    if halves is None:
        return _nothing({}, "without half stacks nothing confirms finer detail.")
    full, profiles = known.full, {c: each for c, each in known.every.items() if each is not None}
    if len(profiles) < len(COLOURS):
        return _nothing(profiles, _silent(profiles))
    width = max(profile.fwhm_px() for profile in profiles.values())
    if width * refocus.LEAST_GAIN < refocus.LEAST_PX:
        return _nothing(
            profiles,
            f"stars are {width:.2f} px wide beside what the pixels add, and pixels cannot carry anything narrower than "
            f"{refocus.LEAST_PX:.1f} px. A finer grid (a stack at half pixels) would.",
        )
    finest = float(
        np.min([finest_confirmed((halves[0][c], halves[1][c]), variances[c], full) for c in COLOURS])
    )
    if not np.isfinite(finest):
        return _nothing(profiles, "the halves do not confirm any detail.")
    rings = [_unseen_ring(planes[c], variances[c], stars, full) for c in COLOURS]
    target = refocus.narrowest([profiles[c] for c in COLOURS], finest, rings)
    if target is None:
        return _nothing(
            profiles,
            f"the halves agree on detail of {1 / finest:.1f} px and more; of no more than that stars of {width:.2f} px "
            "would hardly become narrower, or get dark rings. More lights, with the telescope moved a little between "
            "them, carry more.",
            finest,
        )
    return Plan(profiles, finest, max(target, narrower), "")


def _nothing(profiles: dict[str, FieldProfile], why: str, finest: float = float("nan")) -> Plan:
    return Plan(profiles, finest, float("nan"), f"Nothing was sharpened: {why}")


def _silent(profiles: Mapping[str, FieldProfile]) -> str:
    silent = [c for c in COLOURS if c not in profiles]
    where = f" in {', '.join(silent)}; sharpened without, stars would get rims of colour" if profiles else ""
    return f"too few stars that are bright, not full and alone tell how light is spread{where}."


def _unseen_ring(plane: Float32, variance: Float32, stars: StarList, full: float) -> float:
    """Depth of the ring that is lost in the noise around the brightest star that is not full, over its height."""
    top = peaks(plane, stars)
    with np.errstate(invalid="ignore"):
        top = top[(top < full) & ~stars.saturated] - np.nanmedian(some(plane))
    noise = float(np.sqrt(max(np.nanmedian(some(variance)), 0)))
    return RING_SIGMA * noise / max(float(top.max(initial=0.0)), noise, 1e-30)
