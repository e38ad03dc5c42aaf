"""The sensor as a counter: size of its pixels, noise of reading, how much a pixel holds, what its curves are worth."""

from __future__ import annotations

from dataclasses import dataclass, fields

from fourlight.errors import InputError

__all__ = ["USUAL", "Chip"]

PEDESTAL = 1 / 128
"""Part of the range of the converter that lies below no light (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Chip:
    """A sensor behind a mosaic of red, green, green and blue."""

    pixel_um: float = 3.76
    width_px: int = 6200
    height_px: int = 4100
    read_noise_e: float = 1.5
    full_well_e: float = 50_000.0
    gain_e_per_adu: float = 0.8
    adc_bits: int = 16
    """Of the ADU that the gain is of."""
    peak_efficiency: float = 0.8
    """Electrons per photon where the curves of the camera have their highest value; 1 where those are absolute."""
    dark_e_per_s: float = 0.002

    def __post_init__(self) -> None:
        for name, (low, high) in LIMITS.items():
            value = getattr(self, name)
            if not low <= value <= high:
                raise InputError(f"camera: {name} = {value:g}; needed are {low:g} to {high:g}")

    @property
    def read_variance_e2(self) -> float:
        """Of one sample, with the noise of rounding to ADU.

        >>> round(Chip(read_noise_e=1.5, gain_e_per_adu=1.0).read_variance_e2, 4)
        2.3333
        """
        return self.read_noise_e**2 + self.gain_e_per_adu**2 / 12

    @property
    def full_e(self) -> float:
        """Electrons at which a sample is full: its well, or the end of its converter.

        >>> round(Chip(full_well_e=50_000, gain_e_per_adu=1.0, adc_bits=12).full_e)
        4063
        """
        return min(self.full_well_e, (2.0**self.adc_bits - 1) * (1 - PEDESTAL) * self.gain_e_per_adu)

    @property
    def sides_mm(self) -> tuple[float, float]:
        """Width and height."""
        return self.width_px * self.pixel_um / 1000, self.height_px * self.pixel_um / 1000


LIMITS = {
    "pixel_um": (0.5, 50.0),
    "width_px": (16, 60000),
    "height_px": (16, 60000),
    "read_noise_e": (0.1, 100.0),
    "full_well_e": (100.0, 1e7),
    "gain_e_per_adu": (0.001, 100.0),
    "adc_bits": (8, 24),
    "peak_efficiency": (0.01, 1.0),
    "dark_e_per_s": (0.0, 100.0),
}
"""Lowest and highest value of each."""

USUAL = {field.name: field.default for field in fields(Chip)}
"""What is assumed of a sensor of which somebody states nothing: as sensors of colour cameras are commonly made."""
