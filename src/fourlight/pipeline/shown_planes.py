"""Planes of a stack as tiles that a screen can show: at every scale, as codes of 16 bits, made when asked for."""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.core.companding import Companding, companding_for
from fourlight.core.shrunk import shrunk
from fourlight.errors import InputError
from fourlight.io.fits_planes import planes_and_units
from fourlight.io.mapping import MappedPixels

__all__ = ["TILE_PX", "ShownPlanes", "Tile"]

Float32 = npt.NDArray[np.float32]

TILE_PX = 512
"""Side of a tile."""
COARSE = 8
"""Pixels along one of the overview, of which the coarse tiles are made."""
SAMPLE = 200_000
"""Pixels of the overview that level and noise are told from."""
HELD_BYTES = 64_000_000
"""Of tiles that are kept."""
AT_ONCE = 2
"""Planes that are read at the same time."""
BAND = 256
"""Rows that are read at a time."""


@dataclass(frozen=True, slots=True)
class Tile:
    """Which piece of which plane: ``level`` halvings of the scale, ``row`` and ``column`` of tiles of that level."""

    plane: str
    level: int
    row: int
    column: int


@dataclass(frozen=True, slots=True)
class _Overview:
    image: Float32
    code: Companding


class ShownPlanes:
    """Planes of one file; safe for several threads.

    Parameters
    ----------
    path : Path
        FITS file whose extensions are the planes.
    names : sequence of str
        Those that are shown, where the file has them.

    Raises
    ------
    InputError
        The file cannot be read, or has none of them.
    """

    def __init__(self, path: Path, names: tuple[str, ...]) -> None:
        found, units = planes_and_units(path)
        self._planes: Mapping[str, MappedPixels] = {name: found[name] for name in names if name in found}
        if not self._planes:
            raise InputError(f"{path}: holds none of the planes {', '.join(names)}; make the run again")
        self._units = {name: units[name] for name in self._planes}
        self.shape = next(iter(self._planes.values())).shape
        state = path.stat()
        self.version = hashlib.sha256(f"{state.st_size} {state.st_mtime_ns}".encode()).hexdigest()[:16]
        self._locks = {name: threading.Lock() for name in self._planes}
        self._overviews: dict[str, _Overview] = {}
        self._held: OrderedDict[Tile, bytes] = OrderedDict()
        self._holding = threading.Lock()

    @property
    def names(self) -> tuple[str, ...]:
        """Planes that can be shown."""
        return tuple(self._planes)

    @property
    def levels(self) -> int:
        """Number of scales; the last one is a single tile."""
        longest = max(self.shape)
        return 1 + max(0, int(np.ceil(np.log2(longest / TILE_PX))))

    def expect(self) -> None:
        """Read every plane once, one after the other: a process that ends does not wait for it."""
        for name in self.names:
            self._overview(name)

    def facts(self) -> dict[str, Any]:
        """What a viewer must know before it asks for tiles; reads every plane once."""
        with ThreadPoolExecutor(AT_ONCE) as crew:  # reading and shrinking hold no lock of Python
            found = crew.map(self._overview, self.names)
            codes = {name: each.code.as_dict() for name, each in zip(self.names, found, strict=True)}
        ny, nx = self.shape
        return {
            "version": self.version, "ny": ny, "nx": nx, "tile_px": TILE_PX, "levels": self.levels,
            "planes": list(self.names), "codes": codes, "units": self._units,
        }  # fmt: skip

    def tile(self, wanted: Tile) -> bytes:
        """Codes of a tile, rows from the top, each as two bytes, the lower first.

        Raises
        ------
        InputError
            There is no such tile.
        """
        self._check(wanted)
        with self._holding:
            if wanted in self._held:
                self._held.move_to_end(wanted)
                return self._held[wanted]
        made = self._codes(wanted).astype("<u2").tobytes()
        with self._holding:
            self._held[wanted] = made
            while sum(map(len, self._held.values())) > HELD_BYTES:
                self._held.popitem(last=False)
        return made

    def _check(self, tile: Tile) -> None:
        if tile.plane not in self._planes or not 0 <= tile.level < self.levels:
            raise InputError(f"no such tile: plane {tile.plane!r}, level {tile.level}")
        side = TILE_PX << tile.level
        ny, nx = self.shape
        if not (0 <= tile.row * side < ny and 0 <= tile.column * side < nx):
            raise InputError(f"no such tile: row {tile.row}, column {tile.column} of level {tile.level}")

    def _codes(self, tile: Tile) -> npt.NDArray[np.uint16]:
        overview = self._overview(tile.plane)
        factor = 1 << tile.level
        if factor >= COARSE:
            side = TILE_PX * factor // COARSE
            rows, columns = (slice(at * side, (at + 1) * side) for at in (tile.row, tile.column))
            return overview.code.codes(shrunk(overview.image[rows, columns], factor // COARSE))
        side = TILE_PX * factor
        y, x = tile.row * side, tile.column * side
        light = self._planes[tile.plane].read(y, y + side, x, x + side)
        return overview.code.codes(shrunk(light, factor) if factor > 1 else light)

    def _overview(self, name: str) -> _Overview:
        with self._locks[name]:
            if name not in self._overviews:
                self._overviews[name] = _overview_of(self._planes[name])
            return self._overviews[name]


def _overview_of(plane: MappedPixels) -> _Overview:
    """The whole plane at an eighth of its size, and the companding that fits what it holds."""
    ny, nx = plane.shape
    small = np.empty((-(-ny // COARSE), -(-nx // COARSE)), np.float32)
    lowest, highest = np.inf, -np.inf
    for y in range(0, ny, BAND):
        band = plane.read(y, min(y + BAND, ny), 0, nx)
        small[y // COARSE : y // COARSE + -(-len(band) // COARSE)] = shrunk(band, COARSE)
        # fmin and fmax pass over what has no value
        lowest, highest = (
            min(lowest, float(np.fmin.reduce(band, None))),
            max(highest, float(np.fmax.reduce(band, None))),
        )
    middle = plane.read(ny // 2 - BAND // 2, ny // 2 + BAND // 2, 0, nx)
    return _Overview(small, companding_for(*_level_and_noise(small, middle), lowest, highest))


def _level_and_noise(small: Float32, rows: Float32) -> tuple[float, float]:
    """Median of the overview, and the scatter of neighbouring pixels of some rows at full size."""
    values = small[np.isfinite(small)]
    values = values[:: max(1, len(values) // SAMPLE)]
    steps = np.abs(np.diff(rows, axis=1))
    steps = steps[np.isfinite(steps)][:SAMPLE]
    level = float(np.median(values)) if len(values) else 0.0
    return level, float(np.median(steps)) * 1.0484 if len(steps) else 0.0
