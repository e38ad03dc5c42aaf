"""The layers of the stack on disk while tiles come in, and the loop that fills them.

Layers are memory-mapped arrays; a tile is written once and then noted in a list, so that a stopped run goes
on with the tiles that are missing.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self, TypeAlias

import numpy as np
import numpy.typing as npt

from fourlight.engine import Crew, Progress, as_done
from fourlight.io.arrays import mapped_array
from fourlight.io.room import new_array, writing
from fourlight.json_text import json_of
from fourlight.pipeline.cache import digest
from fourlight.stages.geometry import Tile
from fourlight.stages.stack_layers import LAYERS, OUTPUT_PLANES, TileResult

__all__ = ["StackLayers", "integrate_tiles"]

Float32 = npt.NDArray[np.float32]
Place: TypeAlias = tuple[int, int]
Line: TypeAlias = dict[str, Any]

SETTLE_S = 10.0
"""Seconds of work that may be lost when the power goes; asking the disk at every tile would take longer than that."""


@dataclass(slots=True)
class StackLayers:
    """All layers of a finished (or growing) stack."""

    folder: Path
    shape: tuple[int, int]
    rejected: npt.NDArray[np.int64]
    used: npt.NDArray[np.int64]
    pixel_noise: dict[str, list[float]]

    def rejected_map(self) -> Float32:
        """Number of rejected samples of all planes on each pixel (ny, nx), mapped."""
        return mapped_array(_rejected(self.folder), "c")

    def read(self, plane: str, layer: str) -> Float32:
        """One layer (ny, nx), mapped: it takes no memory that others might need."""
        return mapped_array(_layer(self.folder, plane, layer), "c")

    def noise_correlation(self, plane: str) -> float:
        """Scatter of single pixels over sqrt(VAR), mean over the plane."""
        total, count = self.pixel_noise[plane]
        return float(np.sqrt(total / count)) if count else float("nan")


def integrate_tiles(
    work: Callable[[Tile], TileResult], tiles: Sequence[Tile], shape: tuple[int, int], folder: Path, key: str,
    crew: Crew, progress: Progress, steps: int = 1, complete: Callable[[Tile], bool] = lambda _: True,
) -> StackLayers:  # fmt: skip
    """Run ``work`` on every tile and gather the layers.

    Parameters
    ----------
    work : callable
        Makes one tile; called by the crew.
    tiles : sequence of Tile
    shape : (ny, nx)
    folder : Path
        Where layers are kept.
    key : str
        Hash of everything that shapes the result; tiles left by another key are not used.
    crew : Crew
    progress : Progress
    steps : int
        Steps of progress in a tile; the last one is that it is written. A crew in this process tells the others while
        it works, of one elsewhere they are known when it is done.
    complete : callable
        Whether all else that was made of a finished tile is there.
    """
    # The same number of tiles may be another cut (of another program): then old tiles would leave gaps.
    key = digest(key, [(tile.y0, tile.y1, tile.x0, tile.x1) for tile in tiles])
    known = _resumed(folder, shape, key)
    missing = [tile for tile in tiles if (tile.y0, tile.x0) not in known or not complete(tile)]
    progress.step(steps * (len(tiles) - len(missing)))
    with _Written(folder, known) as written:
        for result in as_done(work, missing, crew):
            written.add(result)
            progress.step(steps if crew.away else 1)
    return _counted(folder, shape, [known[tile.y0, tile.x0] for tile in tiles])


class _Written:
    """Results of tiles on their way to the disk."""

    def __init__(self, folder: Path, known: dict[Place, Line]) -> None:
        self._maps = {path: np.load(path, mmap_mode="r+") for path in _files(folder)}
        self._folder, self._known = folder, known
        path = _journal(folder)
        with writing(path):
            torn = not path.read_bytes().endswith(b"\n")
            self._journal = path.open("a", encoding="utf-8")
            self._journal.write("\n" * torn)
        self._unsure: list[Line] = []
        self._last = time.monotonic()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        with writing(self._folder):  # what cannot be flushed cannot be closed either
            try:
                self._settle()
            finally:
                self._journal.close()

    def add(self, result: TileResult) -> None:
        """Write a tile. It is noted as done when the disk surely has it, with those of the next seconds."""
        tile, line = result.tile, _line(result)
        part = (slice(tile.y0, tile.y1), slice(tile.x0, tile.x1))
        for plane, made in result.planes.items():
            for name, layer in made.layers.items():
                self._maps[_layer(self._folder, plane, name)][part] = layer
        self._maps[_rejected(self._folder)][part] = result.rejected_here
        self._known[tile.y0, tile.x0] = line
        self._unsure.append(line)
        if time.monotonic() - self._last > SETTLE_S:
            self._settle()

    def _settle(self) -> None:
        with writing(self._folder):
            for array in self._maps.values():
                array.flush()
            self._journal.writelines(json.dumps(line) + "\n" for line in self._unsure)
            self._journal.flush()
        self._unsure.clear()
        self._last = time.monotonic()


def _line(result: TileResult) -> Line:
    return {
        "tile": [result.tile.y0, result.tile.x0],
        "rejected": result.rejected.tolist(),
        "used": result.used.tolist(),
        "pixel_noise": {plane: list(made.pixel_noise) for plane, made in result.planes.items()},
    }


def _counted(folder: Path, shape: tuple[int, int], lines: Sequence[Line]) -> StackLayers:
    """Layers with the sums over all tiles, always in the same order."""
    rejected, used = np.zeros(4, np.int64), np.zeros(4, np.int64)
    noise: dict[str, list[float]] = {plane: [0.0, 0] for plane in OUTPUT_PLANES}
    for line in lines:
        rejected += np.array(line["rejected"])
        used += np.array(line["used"])
        for plane, (total, count) in line["pixel_noise"].items():
            noise[plane][0] += total
            noise[plane][1] += count
    return StackLayers(folder, shape, rejected, used, noise)


def _files(folder: Path) -> list[Path]:
    return [_layer(folder, plane, name) for plane in OUTPUT_PLANES for name in LAYERS] + [_rejected(folder)]


def _layer(folder: Path, plane: str, name: str) -> Path:
    return folder / f"{plane}_{name}.npy"


def _rejected(folder: Path) -> Path:
    return folder / "rejected.npy"


def _journal(folder: Path) -> Path:
    return folder / "tiles.jsonl"


def _resumed(folder: Path, shape: tuple[int, int], key: str) -> dict[Place, Line]:
    """Tiles that an earlier run with the same key finished; starts empty layers where there is none."""
    journal = _journal(folder)
    lines = journal.read_text(encoding="utf-8").splitlines() if journal.exists() else []
    if not (lines and lines[0] == key and all(path.exists() for path in _files(folder))):
        journal.unlink(missing_ok=True)  # first, so that no old list ever stands beside new empty layers
        for path in _files(folder):
            new_array(path, shape)
        with writing(journal):
            journal.write_text(key + "\n", encoding="utf-8")
        return {}
    done: dict[Place, Line] = {}
    for text in lines[1:]:
        try:
            line = json_of(text)
        except ValueError:  # the line that was being written when the run was stopped
            continue
        done[line["tile"][0], line["tile"][1]] = line
    return done
