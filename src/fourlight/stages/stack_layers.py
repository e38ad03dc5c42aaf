"""What a stack is made of: its planes, the layers known of each, and the result of one tile."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import numpy.typing as npt

from fourlight.stages.geometry import FrameTable, Tile
from fourlight.stages.tile_samples import TileSamples

__all__ = ["GROUPS", "LAYERS", "OUTPUT_PLANES", "Method", "PlaneLayers", "Sums", "TileResult"]

Float32 = npt.NDArray[np.float32]
Int64 = npt.NDArray[np.int64]

Sums = dict[str, list[Float32]]
"""Of each mosaic plane, the sums of the samples of both halves."""

GROUPS = (("R",), ("G1", "G2"), ("B",))
"""Mosaic planes whose samples are also put together."""

OUTPUT_PLANES = ("R", "G1", "G2", "B", "G")
"""Planes of the stack; G is made from the samples of both greens."""

LAYERS = ("value", "variance", "samples", "value_a", "variance_a", "value_b", "variance_b")
"""What is known of each output plane: the stack, and its two half stacks."""


@dataclass(slots=True)
class PlaneLayers:
    """All layers of one plane on one tile."""

    layers: dict[str, Float32]
    """By name from `LAYERS`; (y1 - y0, x1 - x0) float32."""
    pixel_noise: tuple[float, int]
    """Sum over pixels of pixel variance over VAR, and their number."""

    def scale(self, factor: float) -> None:
        """Multiply light by a factor, in place: from light per pixel of the reference to light per own pixel."""
        for name, layer in self.layers.items():
            if name.startswith("value"):
                layer *= np.float32(factor)
            elif name.startswith("variance"):
                layer *= np.float32(factor**2)


@dataclass(slots=True)
class TileResult:
    """Finished planes of one tile."""

    tile: Tile
    planes: dict[str, PlaneLayers] = field(default_factory=dict)
    rejected: Int64 = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    used: Int64 = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    rejected_here: Float32 = field(default_factory=lambda: np.zeros((0, 0), dtype=np.float32))
    """Rejected samples on each pixel, all planes together."""


class Method(Protocol):
    """A way to make planes from the samples of a tile."""

    @property
    def fine(self) -> int:
        """Fine cells along a pixel in which sums are kept; 0: they are those of drops."""

    def batches(self, count: int) -> list[Int64]:
        """Frames of so many that are read together."""

    def planes(
        self, seen: Iterable[tuple[TileSamples, Float32]], table: FrameTable, earlier: Sums | None = None,
        kept: Sums | None = None,
    ) -> dict[str, PlaneLayers]:  # fmt: skip
        """All output planes of a tile, from the samples of each of its `batches` and a robust reference (4, ph, pw).

        ``earlier`` are sums of other samples that count too, of each mosaic plane those of both halves; to ``kept``
        the sums of all are added.
        """
