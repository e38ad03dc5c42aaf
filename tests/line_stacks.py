"""Stacks of lines with known truth, made by arithmetic alone."""

from __future__ import annotations

import numpy as np

from fourlight.core.cfa import COLOURS
from fourlight.frames import StarList
from fourlight.sensor.filters import named_filter
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.mixing import mixing_matrix
from fourlight.sensor.sensors import sensor

SHAPE = (320, 400)


def dual(camera="bsi-8mp", name="dual-7nm"):
    return LightPath(sensor(camera), named_filter(name))


def blobs(shape=SHAPE):
    """Photons of Hα and [OIII], each a blob in another place, with nothing around them."""
    y, x = np.mgrid[: shape[0], : shape[1]]

    def blob(cx, cy, size):
        return np.exp(-0.5 * ((x - cx) ** 2 + (y - cy) ** 2) / size**2)

    return {"halpha": 40 * blob(150, 140, 22), "oiii": 25 * blob(190, 160, 18)}


def star_list(x, y, fwhm=3.0):
    count = len(x)
    ones = np.ones(count)
    return StarList(
        np.asarray(x, float), np.asarray(y, float), np.tile(1000.0 * ones[:, None], 4), np.tile(ones[:, None], 4),
        fwhm * ones, ones, np.zeros(count, bool),
    )  # fmt: skip


class Layers:
    """Planes, variances and half stacks by name, as a stack has them."""

    def __init__(self, values, variance, seed=1, sky=(8.0, 6.0, 4.0), sigma=1.0):
        rng = np.random.default_rng(seed)
        self._layers = {}
        for c, name in enumerate(COLOURS):
            clean = values[c] + sky[c]
            spread = np.broadcast_to(variance[c], clean.shape)
            first, second = (
                clean + sigma * np.sqrt(2 * spread) * rng.standard_normal(clean.shape) for _ in range(2)
            )
            self._layers[name, "value"] = (0.5 * (first + second)).astype(np.float32)
            self._layers[name, "variance"] = spread.astype(np.float32)
            for half, light in zip("ab", (first, second), strict=True):
                self._layers[name, f"value_{half}"] = light.astype(np.float32)
                self._layers[name, f"variance_{half}"] = (2 * spread).astype(np.float32)

    def read(self, plane, layer):
        return self._layers[plane, layer]

    def holds(self, plane):
        return (plane, "value") in self._layers


def lined(path=None, seed=1, variance=(9.0, 4.0, 5.0), sigma=1.0, light=None):
    """Layers of a stack of blobs, and their photons."""
    light = light or blobs()
    matrix = mixing_matrix(path or dual(), tuple(light), channels=COLOURS).values
    values = np.einsum("ck,kyx->cyx", matrix, np.array(list(light.values())))
    return Layers(values, variance, seed, sigma=sigma), light
