"""The layers of the stack on disk while tiles come in, and the loop that fills them.

Layers are memory-mapped arrays; a tile is written once and then noted in a list, so that a stopped run goes
on with the tiles that are missing.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.engine import Progress, in_order
from fourlight.io.room import new_array, writing
from fourlight.pipeline.cache import digest
from fourlight.stages.geometry import Tile
from fourlight.stages.stack_layers import LAYERS, OUTPUT_PLANES, TileResult

__all__ = ["StackLayers", "integrate_tiles"]

Float32 = npt.NDArray[np.float32]


@dataclass(slots=True)
class StackLayers:
    """All layers of a finished (or growing) stack."""

    folder: Path
    shape: tuple[int, int]
    rejected: npt.NDArray[np.int64]
    used: npt.NDArray[np.int64]
    pixel_noise: dict[str, list[float]]

    def path(self, plane: str, layer: str) -> Path:
        """File of one layer."""
        return self.folder / f"{plane}_{layer}.npy"

    @property
    def rejected_path(self) -> Path:
        """File of the number of rejected samples on each pixel."""
        return self.folder / "rejected.npy"

    def rejected_map(self) -> Float32:
        """Number of rejected samples of all planes on each pixel (ny, nx)."""
        return np.asarray(np.load(self.rejected_path))

    def read(self, plane: str, layer: str) -> Float32:
        """One layer (ny, nx), read into memory."""
        return np.asarray(np.load(self.path(plane, layer)))

    def noise_correlation(self, plane: str) -> float:
        """Scatter of single pixels over sqrt(VAR), mean over the plane."""
        total, count = self.pixel_noise[plane]
        return float(np.sqrt(total / count)) if count else float("nan")


def integrate_tiles(
    work: Callable[[Tile], TileResult], tiles: Sequence[Tile], shape: tuple[int, int], folder: Path, key: str,
    threads: int, progress: Progress, steps: int = 1,
) -> StackLayers:  # fmt: skip
    """Run ``work`` on every tile and gather the layers.

    Parameters
    ----------
    work : callable
        Makes one tile; runs in several threads.
    tiles : sequence of Tile
    shape : (ny, nx)
    folder : Path
        Where layers are kept.
    key : str
        Hash of everything that shapes the result; tiles left by another key are not used.
    threads : int
    progress : Progress
    steps : int
        Steps of progress in a tile; ``work`` tells all but the last one, which is that the tile is written.
    """
    nothing: dict[str, list[float]] = {plane: [0.0, 0] for plane in OUTPUT_PLANES}
    layers = StackLayers(folder, shape, np.zeros(4, np.int64), np.zeros(4, np.int64), nothing)
    # The same number of tiles may be another cut (fewer threads, less memory): then old tiles would leave gaps.
    key = digest(key, [(tile.y0, tile.y1, tile.x0, tile.x1) for tile in tiles])
    done = _resumed(layers, folder / "tiles.jsonl", key)
    maps = {
        (p, name): np.load(layers.path(p, name), mmap_mode="r+") for p in OUTPUT_PLANES for name in LAYERS
    }
    tallied = np.load(layers.rejected_path, mmap_mode="r+")
    missing = [tile for tile in tiles if (tile.y0, tile.x0) not in done]
    progress.step(steps * (len(tiles) - len(missing)))
    with (folder / "tiles.jsonl").open("a", encoding="utf-8") as journal:
        for result in in_order(work, missing, threads):
            tile = result.tile
            for plane, made in result.planes.items():
                for name, part in made.layers.items():
                    maps[plane, name][tile.y0 : tile.y1, tile.x0 : tile.x1] = part
            tallied[tile.y0 : tile.y1, tile.x0 : tile.x1] = result.rejected_here
            for array in (*maps.values(), tallied):
                array.flush()
            journal.write(json.dumps(_line(result)) + "\n")
            journal.flush()
            _count(layers, _line(result))
            progress.step()
    return layers


def _line(result: TileResult) -> dict[str, object]:
    return {
        "tile": [result.tile.y0, result.tile.x0],
        "rejected": result.rejected.tolist(),
        "used": result.used.tolist(),
        "pixel_noise": {plane: list(made.pixel_noise) for plane, made in result.planes.items()},
    }


def _count(layers: StackLayers, line: dict[str, object]) -> None:
    layers.rejected += np.array(line["rejected"])
    layers.used += np.array(line["used"])
    pairs = line["pixel_noise"]
    assert isinstance(pairs, dict)
    for plane, (total, count) in pairs.items():
        layers.pixel_noise[plane][0] += total
        layers.pixel_noise[plane][1] += count


def _resumed(layers: StackLayers, journal: Path, key: str) -> set[tuple[int, int]]:
    """Tiles that an earlier run with the same key finished; starts empty layers where there is none."""
    lines = journal.read_text(encoding="utf-8").splitlines() if journal.exists() else []
    files = [layers.path(p, name) for p in OUTPUT_PLANES for name in LAYERS] + [layers.rejected_path]
    complete = all(path.exists() for path in files)
    if not (lines and lines[0] == key and complete):
        journal.unlink(missing_ok=True)  # first, so that no old list ever stands beside new empty layers
        for path in files:
            new_array(path, layers.shape)
        with writing(journal):
            journal.write_text(key + "\n", encoding="utf-8")
        return set()
    done: set[tuple[int, int]] = set()
    for text in lines[1:]:
        try:
            line = json.loads(text)
        except ValueError:  # the line that was being written when the run was stopped
            continue
        done.add((line["tile"][0], line["tile"][1]))
        _count(layers, line)
    return done
