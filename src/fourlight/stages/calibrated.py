"""Calibrated samples of one light, a rectangle at a time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fourlight.core.cfa import ODD
from fourlight.io.pixels import PixelSource

__all__ = ["CalibratedSource"]

Float32Array = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class CalibratedSource:
    """Samples less their offset, times ``scale / response``: ``(raw - offset) * factor``.

    The factor is NaN at defective samples. Saturated samples keep their value, see
    `fourlight.stages.calibration.Calibration.saturation_level`.
    """

    raw: PixelSource
    offset: Float32Array | float
    """ADU; an array of the size of the frame or one number."""
    factor: Float32Array | float
    """Calibrated unit per ADU; NaN at defects."""

    unit_per_adu: float = 1.0
    """Factor of a sample with full response."""

    @property
    def shape(self) -> tuple[int, int]:
        """``(ny, nx)``."""
        return self.raw.shape

    def read(self, y0: int, y1: int, x0: int, x1: int, step: int = 1) -> Float32Array:
        """Rows ``y0:y1:step``, columns ``x0:x1`` in the calibrated unit; NaN where undefined or defective."""
        samples = self.raw.read(y0, y1, x0, x1, step)
        if isinstance(self.offset, np.ndarray):
            samples -= self.offset[y0:y1:step, x0:x1]
        elif self.offset:
            samples -= np.float32(self.offset)
        if isinstance(self.factor, np.ndarray):
            samples *= self.factor[y0:y1:step, x0:x1]
        elif self.factor != 1.0:
            samples *= np.float32(self.factor)
        return samples

    def response(self, y0: int, y1: int, x0: int, x1: int, step: int = 1) -> Float32Array:
        """Flat response of the samples that `read` gives, NaN at defects; shape (0, 0) where no flat was used."""
        if not isinstance(self.factor, np.ndarray):
            return np.empty((0, 0), dtype=np.float32)
        return np.float32(self.unit_per_adu) / self.factor[y0:y1:step, x0:x1]

    def without_offset(self, y0: int, y1: int, x0: int, x1: int) -> tuple[Float32Array, Float32Array]:
        """The same samples and their response where one level is taken off in place of an offset map.

        Their median, all places of the mosaic alike; samples that the map does not know stay undefined.
        """
        samples = self.read(y0, y1, x0, x1)
        if isinstance(self.offset, np.ndarray):
            pattern = self.offset[y0:y1, x0:x1] - np.float32(np.nanmedian(self.offset[::ODD, ::ODD]))
            factor = self.factor[y0:y1, x0:x1] if isinstance(self.factor, np.ndarray) else self.factor
            samples += pattern * factor
        return samples, self.response(y0, y1, x0, x1)

    def without_flat(self, y0: int, y1: int, x0: int, x1: int) -> tuple[Float32Array, Float32Array]:
        """The same samples where no flat is used, and their response: 1 everywhere."""
        samples, response = self.read(y0, y1, x0, x1), self.response(y0, y1, x0, x1)
        return (samples * response if response.size else samples), np.empty((0, 0), dtype=np.float32)

    def median_response(self) -> npt.NDArray[np.float64]:
        """(2, 2) median response of the samples at ``[y % 2, x % 2]``, from every eighth row and column."""
        if not isinstance(self.factor, np.ndarray):
            return np.ones((2, 2))
        return np.array(
            [
                [self.unit_per_adu / np.nanmedian(self.factor[y::16, x::16]) for x in range(2)]
                for y in range(2)
            ]
        )
