"""The factor map of a light: calibrated unit over ADU and response, NaN at defective samples."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import plane_map
from fourlight.core.skycells import cell_levels
from fourlight.stages.banding import bands
from fourlight.stages.masters import Master, derived

__all__ = ["HIGHEST", "factor_map"]

_LEAST_RESPONSE = 0.05
"""A sample with less of the usual response is taken as defective (practice, no source)."""
HIGHEST = 0.999
"""Share of the samples that respond less than the highest."""
_ROWS = 200
"""Pairs of rows, spread over the flat, that tell its highest response."""
_CELL_PX = 64
"""Side of the cells whose levels tell where the flat is brightest."""


def factor_map(
    flat: Master | None, defects: npt.NDArray[np.bool_], scale: float, pattern: str, work: Path
) -> tuple[Master | float, float]:
    """``scale / response`` for every sample, and the highest response.

    The response is that of the flat over the brightest part of its plane: where the optics lose no light the
    samples keep the electrons that were counted, elsewhere they become those that would have been. Each plane
    has its own brightest level, so that the colour of the flat's lamp does not tint the lights.

    Parameters
    ----------
    flat : Master or None
        Combined flat; None stands for a response of 1.
    defects : (ny, nx) bool
        Samples that become NaN.
    scale : float
        Calibrated unit per ADU.
    pattern : str
        Mosaic pattern in array order.
    work : Path
        Folder for the map.

    Returns
    -------
    factor : Master or float
        A number where it is the same everywhere. The variance of a map is that of the flat, relative to its level.
    brightest : float
        Response that one sample in a thousand exceeds, at least 1.
    """
    if flat is None and not defects.any():
        return scale, 1.0
    ratios = flat.open() if flat is not None else None
    full, brightest = _full_light(ratios, pattern)

    def fill(out: npt.NDArray[np.float32]) -> None:
        ny, nx = out.shape
        for y0, y1 in bands(ny, nx, 3):
            band = out[y0:y1]
            for y in range(2):
                band[y::2] = np.resize(scale * full[y], nx)
            if ratios is not None:
                with np.errstate(divide="ignore", invalid="ignore"):
                    band /= ratios[y0:y1]
                band[~(ratios[y0:y1] > _LEAST_RESPONSE)] = np.nan
            band[defects[y0:y1]] = np.nan

    marks = hashlib.sha256(np.packbits(defects).tobytes()).hexdigest()
    variance = flat.variance if flat else (0.0,) * 4
    key: list[object] = ["factor", flat.path.name if flat else None, scale, pattern, marks, variance]
    frames = flat.frames if flat else 0
    return derived(key, "response", defects.shape, work, fill, frames, variance), brightest


def _full_light(
    ratios: npt.NDArray[np.float32] | None, pattern: str
) -> tuple[npt.NDArray[np.float64], float]:
    """Level of each plane where all light arrives, by place in the mosaic cell, and the highest response.

    The level is that of the brightest hundredth of a plane's coarse cells (medians, so that dust, defects and
    noise do not count).
    """
    full, brightest = np.ones((2, 2)), 1.0
    if ratios is not None:
        cell = plane_map(pattern)
        side = max(2, min(_CELL_PX, *ratios.shape) // 2 * 2)
        levels = cell_levels(np.asarray(ratios), cell, side)
        step = 2 * max(1, len(ratios) // _ROWS)
        for y, x in np.ndindex(cell.shape):
            full[y, x] = np.nanpercentile(levels[cell[y, x]], 99.0)
            brightest = max(
                brightest, float(np.nanpercentile(ratios[y::step, x::2], 100 * HIGHEST) / full[y, x])
            )
    return full, brightest
