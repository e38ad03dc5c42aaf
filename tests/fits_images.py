"""FITS files of tests: images of every type they can hold, the units found in one, and plain frames."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits

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


def put(path: Path, image: np.ndarray | None = None, **cards: Any) -> Path:
    """A FITS frame; underscores in card names stand for hyphens."""
    if image is None:
        image = np.random.default_rng(8).integers(900, 1100, (64, 96)).astype(np.uint16)
    unit = fits.PrimaryHDU(image)
    unit.header.update({name.replace("_", "-"): value for name, value in cards.items()})
    path.parent.mkdir(parents=True, exist_ok=True)
    unit.writeto(path)
    return path
