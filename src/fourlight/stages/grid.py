"""The pixel grid of the stack: that of the reference light, its pixels whole, halved or doubled in side."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fourlight.core import maps
from fourlight.frames import MeasuredFrame, StarList

__all__ = ["Grid"]

Float64 = npt.NDArray[np.float64]

ZOOMS = {"0.5x": 0.5, "1x": 1.0, "2x": 2.0}


@dataclass(frozen=True, slots=True)
class Grid:
    """Pixels of the stack against those of the reference light."""

    zoom: float = 1.0
    """Pixels of the stack along one of the reference."""

    @classmethod
    def named(cls, name: str) -> Grid:
        """The grid that ``integrate.grid`` of the recipe names.

        >>> Grid.named("2x").zoom
        2.0
        """
        return cls(ZOOMS[name])

    @property
    def matrix(self) -> Float64:
        """(2, 3): position on the stack of a position on the reference; corners of pixels stay corners.

        >>> Grid(2.0).matrix.tolist()
        [[2.0, 0.0, 0.5], [0.0, 2.0, 0.5]]
        """
        shift = 0.5 * (self.zoom - 1)
        return np.array([[self.zoom, 0.0, shift], [0.0, self.zoom, shift]])

    def shape(self, reference: MeasuredFrame) -> tuple[int, int]:
        """(ny, nx) of the stack."""
        return max(1, int(reference.raw.ny * self.zoom)), max(1, int(reference.raw.nx * self.zoom))

    def carried(self, matrix: Float64) -> Float64:
        """A map (2, 3) to the reference as one to the stack."""
        return maps.composed(matrix, self.matrix)

    def bent(self, bend: Float64) -> Float64:
        """Maps (..., 2, 4, 4) to the reference, see `fourlight.core.bends`, as maps to the stack."""
        out = self.zoom * bend
        out[..., 0, 0] += 0.5 * (self.zoom - 1)
        return np.asarray(out)

    def stars(self, stars: StarList) -> StarList:
        """Stars of the reference at their places and widths on the stack."""
        x, y = maps.apply(self.matrix, stars.x, stars.y)
        return replace(stars, x=x, y=y, fwhm_px=stars.fwhm_px * self.zoom)
