"""The profile of the stars of a stack, from those of a list that are bright, alone and not full."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fourlight.core.fieldprofile import FieldProfile, fit_field
from fourlight.frames import StarList
from fourlight.stages.canvas import some

__all__ = ["Profiles", "field_profile", "field_profiles", "full_level", "peaks"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

MOST_STARS = 400
BRIGHT = 30.0
"""Peak of a star over the noise of a pixel, from which it tells its profile."""
CLEAR_OF_FULL = 0.7
"""Peaks above this part of the full level are not used."""
ALIKE = 0.1
"""Share by which the wings of a channel may differ from those of all."""
OF_FULL = 0.75
"""Full level over the typical peak of full stars in the channel that is brightest in them."""


def peaks(plane: Float32, stars: StarList) -> Float64:
    """(n,) brightest of the 3 x 3 pixels at each star; NaN outside and at gaps."""
    ny, nx = plane.shape
    out = np.full(len(stars), np.nan)
    column, row = np.rint(stars.x).astype(int), np.rint(stars.y).astype(int)
    inside = np.flatnonzero((column >= 1) & (row >= 1) & (column < nx - 1) & (row < ny - 1))
    around = np.stack(
        [plane[row[inside] + j, column[inside] + i] for j in (-1, 0, 1) for i in (-1, 0, 1)], axis=0
    )
    out[inside] = around.max(axis=0) if len(inside) else np.nan
    return out


def full_level(planes: Mapping[str, Float32], stars: StarList) -> float:
    """Level from which pixels may hold full samples, from the full stars of the list; infinite without any."""
    full = stars.saturated
    if not full.any():
        return float("inf")
    tops = np.stack([peaks(plane, stars)[full] for plane in planes.values()]).max(axis=0)
    tops = tops[np.isfinite(tops)]
    return OF_FULL * float(np.median(tops)) if len(tops) else float("inf")


class Profiles:
    """Profiles of the stars of one stack, fitted once, when they are first asked for.

    Parameters
    ----------
    planes, variances : mapping of R, G, B to (ny, nx) float32
        NaN where nothing covers. They must not change.
    stars : StarList
        On the pixels of the planes.
    full : float or None
        Level of pixels that may hold full samples; None: told from the stars of the list that are full.
    """

    def __init__(
        self, planes: Mapping[str, Float32], variances: Mapping[str, Float32], stars: StarList,
        full: float | None = None,
    ) -> None:  # fmt: skip
        self._planes, self._variances, self._stars = planes, variances, stars
        self.full = full_level(planes, stars) if full is None else full

    @cached_property
    def every(self) -> dict[str, FieldProfile | None]:
        """`field_profiles` of all channels."""
        return field_profiles(self._planes, self._variances, self._stars, self.full)

    @cached_property
    def stood_in(self) -> dict[str, FieldProfile] | None:
        """Those of the channels that hold pixels; such as tell none have that of another, green first.

        None where none tells any.
        """
        usual = next((self.every[c] for c in "GRB" if self.every[c] is not None), None)
        if usual is None:
            return None
        return {
            c: self.every[c] or usual for c, plane in self._planes.items() if np.isfinite(some(plane)).any()
        }


def field_profiles(
    planes: Mapping[str, Float32], variances: Mapping[str, Float32], stars: StarList, full: float
) -> dict[str, FieldProfile | None]:
    """The profile of each channel, None where too few stars tell it.

    Air and telescope shape the wings of all channels. Where what each tells of them is alike, all get what they tell
    together: else the error of each would be a rim of colour around bright stars.
    """
    found = {c: field_profile(planes[c], variances[c], stars, full) for c in planes}
    known = [profile for profile in found.values() if profile is not None]
    if len(known) < 2:
        return found
    wings = float(np.average([each.wings for each in known], weights=[each.count for each in known]))
    if max(abs(each.wings - wings) for each in known) > ALIKE * wings:
        return found
    return {
        c: profile and (field_profile(planes[c], variances[c], stars, full, wings) or profile)
        for c, profile in found.items()
    }


def field_profile(
    plane: Float32, variance: Float32, stars: StarList, full: float, wings: float | None = None
) -> FieldProfile | None:
    """The profile of a channel, with ``wings`` that are known or that its stars tell; None where too few tell it."""
    if not (np.isfinite(some(plane)) & np.isfinite(some(variance))).any():
        return None
    level = float(np.nanmedian(some(plane)))
    noise = float(np.sqrt(max(np.nanmedian(some(variance)), 0)))
    top = peaks(plane, stars)
    with np.errstate(invalid="ignore"):
        good = (top < CLEAR_OF_FULL * full) & (top - level > BRIGHT * noise) & ~stars.saturated
    if not good.any():
        return None
    order = np.flatnonzero(good)[np.argsort(-top[good], kind="stable")][:MOST_STARS]
    widths = stars.fwhm_px[order]
    width = float(np.median(widths[np.isfinite(widths)])) if np.isfinite(widths).any() else 3.0
    width = float(np.clip(width, 1.0, 12.0))
    return fit_field(plane, variance, stars.x[order], stars.y[order], width, wings=wings)
