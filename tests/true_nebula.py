"""The simulated nebula on the grid of a stack, and light at single places of an image."""

from __future__ import annotations

import json

import numpy as np
from astropy.io import fits
from scipy import ndimage


def nebula(made, shape):
    """Its true light in red on the grid of the stack, electrons of R."""
    reference = json.loads((made / "out" / "summary.json").read_text())["grid"]["reference"]
    frames = json.loads((made / "raw" / "truth" / "truth.json").read_text())["frames"]
    matrix = np.array(next(f["matrix"] for f in frames if f["file"].endswith(reference)))
    with fits.open(made / "raw" / "truth" / "truth.fits") as units:
        true = units["R"].data.astype(float)
    y, x = np.indices(shape)
    place = np.tensordot(matrix[:, :2], [x, y], 1) + matrix[:, 2][:, None, None]
    return ndimage.map_coordinates(true, place[::-1], order=3, mode="nearest")


def brightest(light, count):
    """Places of the brightest pixels, 16 pixels apart and from the edge."""
    found = []
    for place in np.argsort(light, axis=None)[::-1]:
        y, x = divmod(int(place), light.shape[1])
        inside = 16 <= y < light.shape[0] - 16 and 16 <= x < light.shape[1] - 16
        if inside and all(np.hypot(y - v, x - u) > 16 for v, u in found):
            found.append((y, x))
        if len(found) == count:
            return found
    return found


def aperture(image, y, x):
    """Light within 3 pixels above that around it."""
    v, u = np.mgrid[-8:9, -8:9]
    box, away = image[y - 8 : y + 9, x - 8 : x + 9], np.hypot(v, u)
    return float((box[away <= 3] - np.median(box[away > 5])).sum())
