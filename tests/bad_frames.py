"""Frames with something wrong about them, made from good ones."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from astropy.io import fits
from scipy.ndimage import map_coordinates

Image = npt.NDArray[Any]


def put(path: Path, like: Path, image: Image | None = None, **cards: Any) -> None:
    """A frame with the header of another one, some cards changed (None removes one)."""
    header = fits.getheader(like)
    data = fits.getdata(like) if image is None else image
    for name in ("BZERO", "BSCALE"):
        header.remove(name, ignore_missing=True)
    for name, value in cards.items():
        name = name.replace("_", "-")
        header.remove(name, ignore_missing=True)
        if value is not None:
            header[name] = value
    fits.PrimaryHDU(data, header).writeto(path)


def as_mono(image: Image, seed: int) -> Image:
    """What a camera without a mosaic would see: the first green plane at every sample, with noise of its own."""
    y, x = np.mgrid[: image.shape[0], : image.shape[1]]
    smooth = map_coordinates(image[0::2, 1::2].astype(float), [y / 2, (x - 1) / 2], order=3, mode="nearest")
    noise = np.random.default_rng(seed).normal(0, 20, image.shape)
    return np.clip(np.rint(smooth + noise), 0, 65535).astype(np.uint16)
