"""How long a sub should be: long enough for its read noise not to matter, short enough for stars and mount."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.snr import read_loss, sub_seconds
from fourlight.errors import InputError
from fourlight.sensor.rig import Rig
from fourlight.stages.plan_light import AREA_ARCSEC2, Target, of_one, snr_per_sub

__all__ = ["LENGTHS_S", "SubLength", "loss_at", "sub_length"]

Float64 = npt.NDArray[np.float64]

LENGTHS_S: Float64 = np.geomspace(1.0, 3600.0, 109)
"""Lengths of subs of the curve."""
FAR_S = (1e-3, 1e7)


@dataclass(frozen=True, slots=True, eq=False)
class SubLength:
    """The length of a sub under one sky, with what it rests on; vectors of three are red, green and blue."""

    sky_e_s: Float64
    """Of a pixel, with the dark current."""
    colour_s: Float64
    """At which each colour loses the part by itself; infinite where it counts nothing."""
    about: str
    """What counts: the weakest line, or all colours together."""
    needed_s: float
    """At which that loses the part."""
    star_s: float | None
    """Below which the brightest star to be kept does not fill its pixel."""
    longest_s: float | None
    """What the mount allows."""
    advised_s: float
    """The shortest of them."""
    loss: float
    """Noise over that without read noise, less one, at the advised length."""
    full_mag: Float64
    """V of stars that are just full then; see `fourlight.sensor.rig.Rig.full_star_mag`."""
    curve: Float64
    """(4, n) loss over `LENGTHS_S`: red, green, blue, and what counts."""


def sub_length(
    rig: Rig, target: Target, sky_e_s: Float64, *, loss: float = 0.05, fwhm_arcsec: float = 3.0,
    keep_mag: float | None = None, longest_s: float | None = None, passed: float = 1.0,
) -> SubLength:  # fmt: skip
    """The length at which read noise adds a part to the noise of a stack of given time in all.

    Parameters
    ----------
    rig : Rig
    target : Target
        Faint against the sky: its own noise is not counted.
    sky_e_s : (3,) float64
        Electrons per second of a pixel of the sky, without the dark current.
    loss : float
        The part, 0.05 for 5 %.
    fwhm_arcsec : float
        Width of stars.
    keep_mag : float, optional
        V of the brightest star that must not fill its pixel.
    longest_s : float, optional
        The longest sub that mount and guiding allow.
    passed : float
        Part of the stars' light that air lets through.

    Raises
    ------
    InputError
        Nothing gets through to be counted, lines cannot be told apart, or a number is out of bounds.
    """
    if not 0.001 <= loss <= 1:
        raise InputError(f"a loss of {100 * loss:g} % to read noise; needed are 0.1 to 100 %")
    back = sky_e_s + rig.chip.dark_e_per_s
    read = rig.chip.read_variance_e2
    best = _faint(rig, target, sky_e_s, FAR_S[1])
    about, at_best = of_one(best)
    if not at_best > 0:
        raise InputError(_untold(rig, target, best))
    needed = _where(lambda length: loss_at(rig, target, sky_e_s, length)[1] - loss)
    star = None if keep_mag is None else _star_seconds(rig, keep_mag, fwhm_arcsec, back, passed)
    advised = min(value for value in (needed, star, longest_s) if value is not None)
    curve = np.array(
        [
            *(read_loss(read, rate, LENGTHS_S) for rate in back),
            [loss_at(rig, target, sky_e_s, float(length))[1] for length in LENGTHS_S],
        ]
    )
    return SubLength(
        back, sub_seconds(read, back, loss), about, needed, star, longest_s, advised,
        loss_at(rig, target, sky_e_s, advised)[1], rig.full_star_mag(advised, fwhm_arcsec, back, passed=passed),
        curve,
    )  # fmt: skip


def _untold(rig: Rig, target: Target, best: Mapping[str, float]) -> str:
    """Why nothing of a target, or not each of its lines, can be told, by the signal over noise of subs without end."""
    lines = [name for name in target.rayleigh if best.get(name) == 0]
    if best["all colours"] > 0 and len(lines) > 1:
        return (
            f"{' and '.join(lines)} behind the filter {rig.filter.name} cannot be told apart by what the camera "
            f"{rig.response.name} counts in its colours; name one of them as the target, or choose another filter"
        )
    return (
        f"the filter {rig.filter.name} passes nothing of the target ({target.name}) to the camera "
        f"{rig.response.name}; choose another filter or another kind of target"
    )


def loss_at(rig: Rig, target: Target, sky_e_s: Float64, sub_s: float) -> tuple[str, float]:
    """What counts, and by how much its noise is larger than without read noise, at the same time in all."""
    about, best = of_one(_faint(rig, target, sky_e_s, FAR_S[1]))
    return about, best / of_one(_faint(rig, target, sky_e_s, sub_s), (about,))[1] - 1.0


def _faint(rig: Rig, target: Target, sky_e_s: Float64, sub_s: float) -> dict[str, float]:
    """Signal over noise of an hour of subs where the target adds no noise, whatever its brightness."""
    faint = Target(
        target.name,
        None if target.mag_arcsec2 is None else FAINT_MAG,
        target.temperature_k,
        {name: FAINT * value / max(target.rayleigh.values()) for name, value in target.rayleigh.items()},
    )
    return snr_per_sub(rig, faint, sky_e_s, sub_s, AREA_ARCSEC2, subs=3600.0 / sub_s)


FAINT, FAINT_MAG = 1e-6, 32.0
"""Brightness of a target that adds no noise."""


def _star_seconds(rig: Rig, keep_mag: float, fwhm_arcsec: float, back: Float64, passed: float) -> float:
    """Longest sub in which a star does not fill its pixel in any colour."""

    def room(length: float) -> float:
        faintest = rig.full_star_mag(length, fwhm_arcsec, back, passed=passed)
        return -1.0 if np.isnan(faintest).any() else keep_mag - float(faintest.max())

    return _where(room)


def _where(falls: Callable[[float], float]) -> float:
    """Length at which a function that falls with it passes zero."""
    low, high = FAR_S
    for _ in range(80):
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if falls(middle) > 0 else (low, middle)
    return float(np.sqrt(low * high))
