"""How much light each frame has compared with the reference: clouds, air mass, exposure."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from fourlight.core.matching import Match
from fourlight.frames import MeasuredFrame, RegisteredFrame, StarList

__all__ = ["compared", "steadied"]

Float64 = npt.NDArray[np.float64]

FLUX_FLOOR = 0.01
"""Least relative flux error of a single star that no amount of light removes."""

PLANE_FLOOR = 0.004
"""Relative error of a frame's light in a single plane: a plane samples sharp stars at every other pixel only."""

WEAK = 5.0
"""Planes whose stars are this much noisier than the best plane's do not count for the light of all planes."""


def compared(
    stars: StarList, target: StarList, found: Match, aperture_error: float
) -> tuple[Float64, Float64, float, float] | None:
    """Light of a frame over that of the reference: per plane (4,) with errors, and over all planes with error.

    Each plane's stars count in units of the reference's mean colour, so that all four planes together sample
    the stars at every pixel. ``aperture_error`` is the relative error of both aperture corrections together.
    None where fewer than three stars are clear enough.
    """
    a, b = found.source_index, found.target_index
    clear = ~(stars.saturated[a] | target.saturated[b])
    if clear.sum() < 3:
        clear[:] = True
    a, b = a[clear], b[clear]
    ours, ours_error = stars.flux[a], stars.flux_error[a]
    theirs, theirs_error = target.flux[b], target.flux_error[b]
    own = [_ratio(ours[:, c], ours_error[:, c], theirs[:, c], theirs_error[:, c]) for c in range(4)]
    unit = np.maximum(np.median(theirs, axis=0), 1e-6)
    noise = np.median(theirs_error, axis=0) / unit
    unit = np.where(noise <= WEAK * noise.min(), unit, np.inf)
    total, total_error = _ratio(
        (ours / unit).sum(axis=1), np.sqrt(((ours_error / unit) ** 2).sum(axis=1)),
        (theirs / unit).sum(axis=1), np.sqrt(((theirs_error / unit) ** 2).sum(axis=1)),
    )  # fmt: skip
    if not np.isfinite(total):
        return None
    total_error = float(np.hypot(total_error, total * aperture_error))
    ratio = np.array([value if np.isfinite(value) else total for value, _ in own])
    error = np.hypot(np.array([sigma for _, sigma in own]), PLANE_FLOOR * ratio)
    return ratio, error, total, total_error


def _ratio(flux: Float64, error: Float64, other: Float64, other_error: Float64) -> tuple[float, float]:
    """Ratio of two sets of fluxes with outliers cut, and its error.

    It is a ratio of weighted sums whose weights hold both fluxes alike: weights from one of them alone would
    favour stars that it shows too bright, by per cents where sharp stars fall between the samples of a plane.
    """
    good = (other > 5 * other_error) & np.isfinite(error)
    if good.sum() < 3:
        return np.nan, np.inf
    f, g = flux[good], other[good]
    value = float(np.median(f / g))
    if not value > 0:
        return np.nan, np.inf
    known = error[good] ** 2 + (value * other_error[good]) ** 2
    keep = np.ones(len(f), dtype=np.bool_)
    for _ in range(5):
        apart = f - value * g
        both = np.maximum((f + value * g) / 2, np.sqrt(known))
        stray = (_strays(apart / both, np.sqrt(known) / both) * both) ** 2
        ours, theirs = error[good] ** 2 + stray / 2, (value * other_error[good]) ** 2 + stray / 2
        # the mean of both whose error has nothing in common with that of their difference
        both = np.maximum((f * theirs + value * g * ours) / (ours + theirs), np.sqrt(known))
        variance = ours + theirs
        pull = apart / np.sqrt(variance)
        keep = np.abs(pull) < max(3.0, 3 * 1.4826 * float(np.median(np.abs(pull))))
        weight = np.where(keep, both / variance, 0.0)
        value = float((f * weight).sum() / (g * weight).sum())
    scale = max(1.0, float(np.sqrt(np.mean(pull[keep] ** 2))))
    return value, scale * float(np.sqrt((weight**2 * variance).sum()) / (g * weight).sum())


def _strays(apart: Float64, known: Float64) -> float:
    """Relative scatter that the fluxes of the clearer half of the stars show beyond their known errors."""
    clear = known <= np.median(known)
    seen = 1.4826 * float(np.median(np.abs(apart[clear])))
    return float(np.sqrt(max(seen**2 - float(np.median(known[clear])) ** 2, FLUX_FLOOR**2)))


def steadied(frames: Sequence[RegisteredFrame], reference: MeasuredFrame) -> list[RegisteredFrame]:
    """Frames with the light of each plane drawn towards that of all planes as far as the frames ask for it.

    A plane's ratio to all planes strays by its error, and by real changes of colour (air mass, Moon through
    cloud). What the frames show beyond the errors is taken as real. The reference has errors too: where the
    colours do not really change, it is the one that is corrected.
    """
    if len(frames) < 2:
        return list(frames)
    others = np.array([f.measured is not reference for f in frames])
    colour = np.array([f.transparency / f.light - 1 for f in frames])
    error = np.array([f.transparency_error / f.light for f in frames])
    typical = np.array([_middle(part[others]) for part in error.T])
    error[~others] = typical
    # A plane in which no star can be measured says nothing: it has the light of all planes.
    known = np.isfinite(error) & np.isfinite(colour) & np.isfinite(typical)
    typical = np.where(np.isfinite(typical), typical, 1.0)
    centre = np.array([_middle(part[good & others]) for part, good in zip(colour.T, known.T, strict=True)])
    centre[~np.isfinite(centre)] = 0.0
    away = np.where(known, np.abs(colour - centre), np.nan)
    seen = 1.4826 * np.array([_middle(part[others]) for part in away.T])
    seen[~np.isfinite(seen)] = 0.0
    # Twice the error: the scatter of a few frames is itself uncertain, and real changes are per cents.
    real = np.maximum(seen**2 - 2 * typical**2, 0.0)
    variance = np.where(known, error, 1.0) ** 2
    offset = centre * typical**2 / (typical**2 + real)
    share = np.where(known, real / (real + variance), 0.0)
    colour = np.where(known, colour - offset, 0.0) * share
    colour = (1 + colour) / (1 + colour[~others][0])
    spread = np.sqrt(share * variance)
    return [
        dataclasses.replace(
            frame,
            transparency=frame.light * tint,
            transparency_error=np.hypot(frame.light_error, frame.light * spread),
        )
        for frame, tint, spread in zip(frames, colour, spread, strict=True)
    ]


def _middle(values: Float64) -> float:
    """Median of the finite values; infinity where there are none."""
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if len(finite) else float("inf")
