"""Where lights lay the samples of the sensor in the stack: how many different places, and whose sensor pixels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from fourlight.stages.geometry import FrameTable

__all__ = ["Lights", "own_nyquist"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

PITCH_PX = 2.0
"""Samples of one mosaic plane are so many sensor pixels apart."""
CELL = {"R": 1, "G1": 1, "G2": 1, "B": 1, "G": 2}
"""Samples of each plane in a cell of the mosaic."""
SAME_PX = 0.5
"""Places nearer than half a sensor pixel count the more as one the nearer they are: the samples' areas overlap."""


@dataclass(frozen=True, slots=True)
class Lights:
    """Lights of a stack as far as they shape what its halves have in common."""

    matrix: Float64
    """(f, 2, 3) from pixel of the light to pixel of the stack."""
    half: Int64
    """(f,) 0 or 1: the half stack that it is in."""
    weight: Float64
    """(f,) share in the stack, any scale."""
    zoom: float = 1.0
    """Pixels of the stack along one of the reference."""

    @classmethod
    def of(cls, frames: Sequence[Mapping[str, Any]], zoom: float = 1.0) -> Self:
        """From ``frames`` and ``grid.zoom`` of a run's summary; halves are every other light in that order.

        >>> Lights.of([{"matrix": np.eye(2, 3), "weight": {"R": 1.0, "B": 0.5}}] * 3).half.tolist()
        [0, 1, 0]
        """
        matrix = np.array([frame["matrix"] for frame in frames], dtype=np.float64).reshape(-1, 2, 3)
        weight = np.array([np.mean(list(frame["weight"].values())) for frame in frames])
        return cls(matrix, np.arange(len(frames)) % 2, weight, zoom)

    @classmethod
    def of_table(cls, table: FrameTable) -> Self:
        """From the table of a stack's frames."""
        return cls(table.matrix, table.half, table.density.mean(axis=1), table.zoom)

    def alike(self) -> Int64:
        """(f,) a number for each way in which lights are turned and scaled, as far as sensor patterns fit."""
        found = np.full(len(self.matrix), -1)
        for k, matrix in enumerate(self.matrix):
            if found[k] < 0:
                apart = np.abs(self.matrix[:, :, :2] - matrix[:, :2]).max(axis=(1, 2))
                found[(found < 0) & (apart < 0.1)] = k
        return found

    def sensor(self, x: float, y: float) -> Float64:
        """(f, 2) place on the sensor that lies at a place of the stack."""
        off = np.array([x, y]) - self.matrix[:, :, 2]
        return np.asarray(np.linalg.solve(self.matrix[:, :, :2], off[:, :, None])[:, :, 0])

    def places(self, x: float, y: float) -> Float64:
        """(f, 2) where one sensor pixel, by the first light of its kind the one at a place of the stack, lies in it."""
        sensor, kinds = self.sensor(x, y), self.alike()
        return np.asarray(
            np.einsum("fij,fj->fi", self.matrix[:, :, :2], sensor[kinds]) + self.matrix[:, :, 2]
        )

    def different(self, plane: str, x: float, y: float) -> tuple[float, float]:
        """Different places of a plane's samples within a cell of the mosaic, in each half, at a place of the stack.

        As many as there are lights where all are apart, one without dithering; two of G, of which a cell has two.
        """
        sensor = self.sensor(x, y)
        counts = []
        for part in (0, 1):
            phase, weight = sensor[self.half == part], self.weight[self.half == part]
            if CELL.get(plane, 1) == 2:
                phase, weight = np.concatenate([phase, phase + 1.0]), np.tile(weight, 2)
            apart = np.mod(phase[:, None] - phase + PITCH_PX / 2, PITCH_PX) - PITCH_PX / 2
            same = np.clip(1 - np.abs(apart) / SAME_PX, 0, None).prod(axis=2)
            total = float(weight @ same @ weight)
            counts.append(float(weight.sum()) ** 2 / total if total > 0 else 0.0)
        return counts[0], counts[1]


def own_nyquist(different: float, zoom: float) -> float:
    """Finest frequency of samples at so many different places in a cell of the mosaic, cycles per pixel of the stack.

    That of a square lattice as dense, and never more than that of the stack itself.

    >>> own_nyquist(1, 1.0), own_nyquist(4, 1.0), own_nyquist(9, 1.0), own_nyquist(9, 2.0)
    (0.25, 0.5, 0.5, 0.375)
    """
    return min(0.5, 0.5 * float(np.sqrt(different)) / PITCH_PX / zoom)
