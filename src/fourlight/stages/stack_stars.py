"""Stars of a finished stack, found on its green plane."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.frames import RawFrame, Role, StarList
from fourlight.recipe import Measure
from fourlight.stages.measure import measure

__all__ = ["stack_stars"]

ANY_PATTERN = "RGGB"
"""A plane of a stack has every pixel: as a mosaic of four planes that see the same."""


def stack_stars(path: Path, green: npt.NDArray[np.float32], settings: Measure) -> StarList:
    """Stars of a plane of a stack, brightest first; fluxes are those of a quarter of its pixels each.

    Parameters
    ----------
    path : Path
        Named in errors.
    green : (ny, nx) float32
        NaN where nothing covers. Any unit: noise is that of the plane's own pixels.
    settings : Measure

    Raises
    ------
    FrameError
        The plane holds nothing to measure.
    """
    ny, nx = (int(side) for side in green.shape)
    raw = RawFrame(path, 0, ny, nx, Role.LIGHT, "header")
    image = np.ascontiguousarray(green, dtype=np.float32)
    return measure(raw, image, ANY_PATTERN, electrons=False, saturation=np.inf, settings=settings).stars
