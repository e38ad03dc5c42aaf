"""How large colour fringes were, and how much of them the atmosphere explains."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import PLANES
from fourlight.core.dispersion import spread_arcsec
from fourlight.core.horizon import altitude_deg
from fourlight.frames import RawFrame, RegisteredFrame

__all__ = ["altitude_of", "fringe_facts"]

Float64 = npt.NDArray[np.float64]

WAVE_NM = {"R": 600.0, "G1": 530.0, "B": 460.0}
"""Middle of what the filters of a sensor pass under broad light (common practice, no source)."""

HEIGHT_M = 0.0
"""Of the site above the sea, which no header is asked for; at 2 km the air spreads colours by a fifth less."""

LOWEST_DEG = 10.0
"""Altitude under which the flat atmosphere of the formula no longer holds."""


def fringe_facts(frames: Sequence[RegisteredFrame], arcsec_px: float | None) -> dict[str, Any]:
    """For red and blue against green, medians over lights: shift in the middle, more in the corners, and prediction.

    Returns
    -------
    dict
        ``altitude_deg``: lowest and highest, None where the headers do not tell; ``planes``: for R and B
        ``shift_px``, ``corner_px`` and ``by_air_px`` (by air at sea level; None where it cannot be predicted).
    """
    heights = [height for frame in frames if (height := altitude_of(frame.measured.raw)) is not None]
    return {
        "altitude_deg": [min(heights), max(heights)] if heights else None,
        "planes": {
            plane: {**_measured(frames, plane), "by_air_px": _by_air(heights, plane, arcsec_px)}
            for plane in ("R", "B")
        },
    }


def _measured(frames: Sequence[RegisteredFrame], plane: str) -> dict[str, float]:
    middle, corner = [], []
    for frame in frames:
        apart = frame.offset[PLANES.index(plane)] - frame.offset[PLANES.index("G1")]
        half = np.array([frame.measured.raw.nx - 1, frame.measured.raw.ny - 1]) / 2
        shift = apart @ [*half, 1.0]
        middle.append(float(np.hypot(*shift)))
        corner.append(max(float(np.hypot(*(apart[:, :2] @ (half * [1, side])))) for side in (-1, 1)))
    return {"shift_px": float(np.median(middle)), "corner_px": float(np.median(corner))}


def _by_air(heights: Sequence[float], plane: str, arcsec_px: float | None) -> float | None:
    """Median shift by dispersion at sea level, pixels; only of lights that stand high enough for the formula."""
    zenith = [90.0 - height for height in heights if height > LOWEST_DEG]
    if not zenith or not arcsec_px:
        return None
    spread = [abs(float(spread_arcsec(WAVE_NM[plane], z, WAVE_NM["G1"], HEIGHT_M))) for z in zenith]
    return float(np.median(spread)) / arcsec_px


def altitude_of(raw: RawFrame) -> float | None:
    """Altitude of the target in the middle of the exposure, degrees; None where the header does not tell."""
    known = (raw.ra_deg, raw.dec_deg, raw.latitude_deg, raw.longitude_deg)
    if raw.time is None or any(value is None for value in known):
        return None
    ra, dec, north, east = (float(value) for value in known if value is not None)
    return altitude_deg(ra, dec, north, east, raw.time.timestamp() + 0.5 * (raw.exposure_s or 0.0))
