"""Noise of master frames, laid over the samples of lights once more, to see how much of it a stack keeps.

A master is the same for all lights that it calibrates: where they are not dithered its noise comes through whole, where
they are it averages as far as they are. Noise drawn anew with the variance of the master, and sent through the same
sums as the lights, shows how much that is, whatever the sums do.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from fourlight.stages.calibrated import CalibratedSource

__all__ = ["MasterNoise", "with_flat_noise", "with_offset_noise"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

SIDE_Y, SIDE_X = 509, 521
"""Noise repeats after so many rows and columns, primes: no dither carries a sample to its own repetition."""


@dataclass(frozen=True, slots=True)
class MasterNoise:
    """Noise of a master by place in the mosaic cell."""

    name: str
    """Of the master: lights with the same one have the same noise."""
    sigma: Float64
    """(2, 2) of a sample: ADU of an offset, relative of a flat."""

    def drawn(self, y0: int, y1: int, x0: int, x1: int) -> Float32:
        """Noise of a rectangle of the sensor, which is always the same.

        >>> noise = MasterNoise("a", np.array([[1.0, 1.0], [1.0, 2.0]]))
        >>> bool((noise.drawn(4, 8, 6, 9)[1:] == noise.drawn(5, 8, 6, 9)).all())
        True
        """
        rows, columns = np.arange(y0, y1), np.arange(x0, x1)
        unit = _unit(zlib.crc32(self.name.encode()))[np.ix_(rows % SIDE_Y, columns % SIDE_X)]
        return np.asarray(unit * self.sigma[np.ix_(rows % 2, columns % 2)], dtype=np.float32)


@lru_cache(maxsize=8)
def _unit(seed: int) -> Float32:
    """Normal noise of one, a megabyte of it."""
    return np.random.default_rng(seed).standard_normal((SIDE_Y, SIDE_X), dtype=np.float32)


def with_offset_noise(
    source: CalibratedSource, noise: MasterNoise, y0: int, y1: int, x0: int, x1: int
) -> tuple[Float32, Float32]:
    """Samples of a light and their response, as if its offset had the noise of the master twice."""
    factor = source.factor[y0:y1, x0:x1] if isinstance(source.factor, np.ndarray) else source.factor
    samples = source.read(y0, y1, x0, x1) - noise.drawn(y0, y1, x0, x1) * factor
    return np.asarray(samples, dtype=np.float32), source.response(y0, y1, x0, x1)


def with_flat_noise(
    source: CalibratedSource, noise: MasterNoise, y0: int, y1: int, x0: int, x1: int
) -> tuple[Float32, Float32]:
    """Samples of a light and their response, as if its flat had the noise of the master twice."""
    samples = source.read(y0, y1, x0, x1) * (1 - noise.drawn(y0, y1, x0, x1))
    return np.asarray(samples, dtype=np.float32), source.response(y0, y1, x0, x1)
