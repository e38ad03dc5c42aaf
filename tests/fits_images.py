"""Images of every type a FITS file can hold, and the units found in one."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from fourlight.io.cards import Unit, walk

SHAPE = (37, 50)
DTYPES = ("uint8", "int16", "uint16", "int32", "uint32", "int64", "float32", "float64")


def values_of(dtype: str) -> np.ndarray:
    rng = np.random.default_rng(7)
    if np.dtype(dtype).kind == "f":
        return rng.normal(1000, 300, SHAPE).astype(dtype)
    info = np.iinfo(dtype)
    image = rng.integers(max(info.min, -(2**20)), min(info.max, 2**20), SHAPE, dtype=dtype, endpoint=True)
    if info.bits <= 16:
        image.flat[:2] = info.min, info.max
    return image


def units_of(path: Path) -> list[Unit]:
    with path.open("rb") as file:
        return walk(file)
