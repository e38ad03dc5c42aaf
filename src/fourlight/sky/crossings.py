"""When something passes an altitude: rise and set, twilights, the meridian."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from fourlight.sky.heavens import MOON_RADIUS_KM, Heavens, Seen

__all__ = [
    "ASTRONOMICAL",
    "CIVIL",
    "HORIZON_LIFT_DEG",
    "NAUTICAL",
    "SUNRISE",
    "crossings",
    "meridian_passages",
    "moments_between",
    "moon_crossings",
    "spans_below",
    "sun_crossings",
    "upper_edge_deg",
]  # fmt: skip

Float64 = npt.NDArray[np.float64]

SUNRISE, CIVIL, NAUTICAL, ASTRONOMICAL = -50 / 60, -6.0, -12.0, -18.0
"""Altitudes of the Sun's centre without refraction, degrees: its upper edge on the horizon, and the three twilights."""
HORIZON_LIFT_DEG = 34 / 60
"""How much air lifts what is seen on the horizon, as almanacs count it."""
STEP_S = 600.0
"""Between computed altitudes, which a cubic spline joins to a hundred-thousandth of a second."""


def crossings(moments_s: Float64, altitude_deg: Float64, level_deg: float) -> list[tuple[float, bool]]:
    """Moments at which a smooth altitude passes a level, and whether it rises there.

    Parameters
    ----------
    moments_s, altitude_deg : (n,) float64
        At least four, a few minutes apart.
    level_deg : float

    Examples
    --------
    >>> when = np.arange(0.0, 10.0)
    >>> [(round(at, 6), up) for at, up in crossings(when, (when - 3.0) * 2.0, 1.0)]
    [(3.5, True)]
    """
    spline = CubicSpline(moments_s, altitude_deg)
    slope = spline.derivative()
    found = np.atleast_1d(spline.solve(level_deg, extrapolate=False))
    return [(float(at), bool(slope(at) > 0)) for at in found if np.isfinite(at) and slope(at) != 0]


def moments_between(first_s: float, last_s: float) -> Float64:
    """Moments between two, a few minutes apart."""
    return np.linspace(first_s, last_s, max(5, round((last_s - first_s) / STEP_S) + 1))


def sun_crossings(
    heavens: Heavens, first_s: float, last_s: float, level_deg: float
) -> list[tuple[float, bool]]:
    """Moments at which the Sun's centre passes an altitude, see `SUNRISE` and the others."""
    when = moments_between(first_s, last_s)
    return crossings(when, heavens.sun(when).altitude_deg, level_deg)


def moon_crossings(heavens: Heavens, first_s: float, last_s: float) -> list[tuple[float, bool]]:
    """Moments at which the Moon's upper edge rises and sets: its centre 34 arcmin and its radius below the horizon."""
    when = moments_between(first_s, last_s)
    return crossings(when, upper_edge_deg(heavens.moon(when)), 0.0)


def upper_edge_deg(moon: Seen) -> Float64:
    """Altitude of the Moon's upper edge as almanacs count it near the horizon, where air lifts it by 34 arcmin."""
    radius = np.degrees(np.arcsin(MOON_RADIUS_KM / moon.distance_km))
    return np.asarray(moon.altitude_deg + radius + HORIZON_LIFT_DEG)


def meridian_passages(
    heavens: Heavens, ra_deg: float, dec_deg: float, first_s: float, last_s: float
) -> list[float]:
    """Moments at which a fixed place passes the upper meridian, where a mount on one side of it must turn over."""
    when = moments_between(first_s, last_s)
    angle = heavens.hour_angle_deg(heavens.fixed(ra_deg, dec_deg, when))
    turn = np.flatnonzero((angle[:-1] < 0) & (angle[1:] >= 0) & (angle[1:] - angle[:-1] < 90))
    share = -angle[turn] / (angle[turn + 1] - angle[turn])
    return [float(at) for at in when[turn] + share * (when[turn + 1] - when[turn])]


def spans_below(moments_s: Float64, altitude_deg: Float64, level_deg: float) -> Iterator[tuple[float, float]]:
    """Stretches (start, end) in which a smooth altitude is below a level, cut off at both ends of the moments."""
    turns = crossings(moments_s, altitude_deg, level_deg)
    start = float(moments_s[0]) if altitude_deg[0] < level_deg else None
    for at, up in turns:
        if up and start is not None:
            yield start, at
            start = None
        elif not up:
            start = at
    if start is not None:
        yield start, float(moments_s[-1])
