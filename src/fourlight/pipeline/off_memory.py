"""What was measured of many lights, in files that the system may drop from memory: a thousand lights are 0.3 GB."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.frames import MeasuredFrame
from fourlight.io.room import writing
from fourlight.stages.canvas import Canvas

__all__ = ["OffMemory"]

LISTS = ("x", "y", "flux", "flux_error", "fwhm_px", "elongation")
"""Arrays of a star list that are float64."""
FIRST, ROWS, COLUMNS = 256, 4096, 1024
"""Numbers (float32) of files: rows of the first, 1 MB, and of the largest, 17 MB; each is twice as large as the one
before. One file for each light would be more than may be open."""


class OffMemory:
    """Takes arrays of lights to files, some lights to a file; files go when nobody holds what is in them.

    Parameters
    ----------
    folder : Path
        For the files; it is made where it is missing.
    """

    def __init__(self, folder: Path) -> None:
        with writing(folder):
            folder.mkdir(parents=True, exist_ok=True)
        self._canvas, self._free, self._rows = Canvas(folder), np.zeros(0, dtype=np.float32), FIRST

    def __call__(self, light: MeasuredFrame) -> MeasuredFrame:
        """The same light, its star list and its map of the sky in a file.

        Raises
        ------
        OutputError
            There is no room for them.
        """
        lists = {name: self._taken(getattr(light.stars, name)) for name in LISTS}
        return replace(light, stars=replace(light.stars, **lists), sky_map=self._taken(light.sky_map))

    def _taken(self, array: npt.NDArray[Any]) -> npt.NDArray[Any]:
        count = 2 * -(-array.nbytes // 8)  # of float32, so that float64 begin where they may
        if count > self._free.size:
            if count > ROWS * COLUMNS:
                return array
            while count > self._rows * COLUMNS:
                self._rows *= 2
            self._free = self._canvas.new((self._rows, COLUMNS)).reshape(-1)
            self._rows = min(2 * self._rows, ROWS)
        place, self._free = self._free[:count], self._free[count:]
        out = place.view(array.dtype)[: array.size].reshape(array.shape)
        out[...] = array
        return out
