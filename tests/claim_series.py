"""Lights with values that a test sets, everything else equal and without noise."""

from __future__ import annotations

from typing import Any

import numpy as np

from fourlight.stages.claim_file import Claim
from fourlight.stages.series import Series

PLANES = ("R", "G1", "G2", "B", "G")


def series(n: int = 12, nights: int = 1, **changes: Any) -> Series:
    """``n`` lights; further fields of Series by name."""
    night = np.sort(np.arange(n) % nights)
    plain: dict[str, Any] = {
        "files": tuple(f"light_{k}.fits" for k in range(n)),
        "nights": tuple(f"2031-08-{10 + k}" for k in night),
        "time_s": 200.0 * np.arange(n) + 86400.0 * night,
        "exposure_s": np.full(n, 180.0),
        "temperature_c": np.full(n, -10.0),
        "halves": tuple("AB"[k % 2] for k in range(n)),
        "moon_lit": np.full(n, 0.9),
        "moon_altitude_deg": np.full(n, -20.0),
    }
    return Series(**{**plain, **changes})


def columns(**by_plane: Any) -> np.ndarray:
    """(n, 5) from (n,) values by plane, (1, 5) from single ones; planes that are not named hold NaN."""
    parts = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(by_plane.get(p, np.nan), dtype=float)) for p in PLANES)
    )
    return np.stack(parts, axis=1)


def claim(**changes: Any) -> Claim:
    """A claim on the width of stars, unless told otherwise."""
    plain: dict[str, Any] = {
        "name": "red is wide",
        "question": "Is it?",
        "quantity": "width_px",
        "compare": "ratio",
        "of": "R",
        "against": "G",
        "null": 1.0,
        "matters": 1.05,
        "direction": "more",
    }
    return Claim(**{**plain, **changes})
