"""A folder as a run leaves it, as far as the page asks for it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from astropy.io import fits


def write_results(folder: Path, shape: tuple[int, int] = (700, 900)) -> Path:
    """What a run leaves, as far as the page asks for it: planes with a star on an even sky."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(7)
    y, x = np.mgrid[: shape[0], : shape[1]]
    star = 4e4 * np.exp(-((y - 200) ** 2 + (x - 300) ** 2) / 18)
    units = [fits.PrimaryHDU()]
    for k, name in enumerate("RGB"):
        light = rng.normal(400 + 10 * k, 5, shape) + (k + 1) * star
        units.append(fits.ImageHDU(light.astype(np.float32), name=name))
    fits.HDUList(units).writeto(folder / "stack.fits", overwrite=True)
    (folder / "picture.tif").write_bytes(b"II*\0")
    facts = {
        "frames": [{"file": "light_1.fits"}],
        "set_aside": [],
        "grid": {},
        "picture": {},
        "to_know": ["Nothing."],
    }
    (folder / "summary.json").write_text(json.dumps(facts), encoding="utf-8")
    return folder
