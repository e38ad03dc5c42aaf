"""What is known of the samples of a tile once they are summed, so that others can be added without them."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import PLANES
from fourlight.core.packing import packed, unpacked
from fourlight.errors import OutputError
from fourlight.io.arrays import READING
from fourlight.io.room import whole
from fourlight.stages.geometry import Tile
from fourlight.stages.tile_samples import Reference

__all__ = ["TileSums", "clearer", "sums_file"]

Float32 = npt.NDArray[np.float32]
Int64 = npt.NDArray[np.int64]


@dataclass(slots=True)
class TileSums:
    """Sums of all samples of a tile with its halo, and what they were compared with."""

    reference: Reference
    halves: dict[str, list[Float32]]
    """Of each mosaic plane, sums of both halves; which, the method knows."""
    fine: int
    """Fine cells along a pixel; 0: sums of drops."""
    rejected: Int64
    used: Int64
    rejected_here: Float32
    """See `fourlight.stages.tile_samples.TileSamples`."""

    def save(self, path: Path) -> None:
        """Write to a file, complete or not at all."""
        parts: dict[str, Any] = {
            f"{plane}_{half}_{name}": part
            for plane, pair in self.halves.items()
            for half, sums in enumerate(pair)
            for name, part in packed(sums, self.fine).items()
        }
        reference = self.reference
        with whole(path) as part, part.open("wb") as stream:
            np.savez(
                stream, fine=self.fine, rejected=self.rejected, used=self.used,
                rejected_here=self.rejected_here.astype(np.float32), value=reference.value,
                scatter=reference.scatter.astype(np.float32), behind=reference.behind, **parts,
            )  # fmt: skip

    @classmethod
    def load(cls, path: Path) -> TileSums:
        """What `save` wrote.

        Raises
        ------
        OutputError
            It is not there, or damaged.
        """
        try:
            return cls._read(path)
        except (OSError, EOFError, ValueError, KeyError, BadZipFile, zlib.error) as error:
            raise OutputError(
                f"{path}: the kept sums cannot be read ({error}); delete {path.parent} and run again: all lights are "
                "integrated then"
            ) from error

    @classmethod
    def _read(cls, path: Path) -> TileSums:
        with READING, path.open("rb") as stream, np.load(stream, allow_pickle=False) as data:
            fine = int(data["fine"])
            return cls(
                Reference(data["value"], data["scatter"], data["behind"]),
                {
                    plane: [unpacked(_named(data, f"{plane}_{h}_"), fine) for h in range(2)]
                    for plane in PLANES
                },
                fine,
                data["rejected"],
                data["used"],
                data["rejected_here"],
            )


def sums_file(folder: Path, tile: Tile) -> Path:
    """Where the sums of a tile are kept."""
    return folder / f"{tile.y0}_{tile.x0}.npz"


def clearer(one: Reference, other: Reference) -> Reference:
    """Of two references of different frames, at each pixel that which more frames are behind."""
    first = one.behind >= other.behind
    return Reference(
        np.where(first, one.value, other.value),
        np.where(first, one.scatter, other.scatter),
        np.where(first, one.behind, other.behind),
    )


def _named(data: Mapping[str, Any], start: str) -> dict[str, npt.NDArray[Any]]:
    names = getattr(data, "files", data)
    return {name[len(start) :]: data[name] for name in names if name.startswith(start)}
