"""Settings of a scene that describe the telescope, the filter, the camera and the calibration frames."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from fourlight.sensor.filters import FASTEST, FILTERS, Beam
from fourlight.settings import Section

__all__ = ["Calibration", "Camera", "Filter", "Optics"]


class Optics(Section):
    """Telescope: light, blur and vignetting."""

    aperture_mm: Annotated[float, Field(gt=0, description="Clear diameter in millimetres")] = 106.0
    focal_mm: Annotated[float, Field(gt=0, description="Focal length in millimetres")] = 530.0
    transmission: Annotated[
        float, Field(gt=0, le=1, description="Share of light that passes atmosphere at the zenith and optics")
    ] = 0.8
    air_colour: Annotated[
        bool, Field(description="Let air take more of blue than of red, as far as the first night has it")
    ] = False
    profile: Annotated[
        Literal["moffat", "gaussian"], Field(description="Profile of the point spread function")
    ] = "moffat"
    moffat_beta: Annotated[float, Field(gt=1.1, le=20, description="Moffat exponent")] = 3.5
    equal_psf: Annotated[bool, Field(description="Give all colours the point spread of green")] = False
    blur_arcsec: Annotated[
        float, Field(ge=0, description="Blur of the optics alone, FWHM in arcsec, same in all colours")
    ] = 0.8
    best_focus_nm: Annotated[float, Field(gt=0, description="Wavelength in best focus, nm")] = 560.0
    colour_blur_arcsec: Annotated[
        float, Field(ge=0, description="Blur 100 nm from best focus, FWHM in arcsec; grows with the square")
    ] = 0.5
    lateral_colour: Annotated[
        float,
        Field(ge=-0.01, le=0.01, description="Part by which the picture grows per 100 nm of wavelength"),
    ] = 0.0
    guiding_arcsec: Annotated[
        float, Field(ge=0, description="Guiding error along one axis, FWHM in arcsec")
    ] = 0.5
    guiding_angle_deg: Annotated[
        float, Field(description="Direction of the guiding error from +x towards +y of the frame, degrees")
    ] = 20.0
    vignetting: Annotated[float, Field(ge=0, lt=1, description="Share of light lost in the corners")] = 0.25
    dust_motes: Annotated[int, Field(ge=0, description="Shadows of dust on the sensor window")] = 6

    @model_validator(mode="after")
    def _is_made(self) -> Self:
        ratio = self.focal_mm / self.aperture_mm
        if ratio < FASTEST:
            raise ValueError(
                f"focal_mm = {self.focal_mm:g} with aperture_mm = {self.aperture_mm:g} is f/{ratio:.2g}; nothing is "
                f"faster than f/{FASTEST:g}, see which number is the aperture"
            )
        return self

    @property
    def beam(self) -> Beam:
        """Light that converges through the filter."""
        return Beam(self.focal_mm / self.aperture_mm)


class Filter(Section):
    """Filter in front of the sensor."""

    name: Annotated[
        str,
        Field(
            description=f"Filter: {', '.join(sorted(FILTERS))}; where bands_nm are given, any name for the headers"
        ),
    ] = "luminance"
    bands_nm: Annotated[
        tuple[tuple[float, float], ...],
        Field(description="Own passbands as [centre, full width at half maximum] in nm"),
    ] = ()
    transmission: Annotated[float, Field(gt=0, le=1, description="Transmission inside a band")] = 0.95

    @model_validator(mode="after")
    def _is_known(self) -> Self:
        if not self.bands_nm and self.name not in FILTERS:
            known = ", ".join(sorted(FILTERS))
            raise ValueError(f"name = {self.name!r} must be one of {known}, or bands_nm must be given")
        if not (self.name.isascii() and self.name.isprintable()):
            raise ValueError(f"name = {self.name!r} must be plain letters (ASCII), as headers hold no others")
        return self


class Camera(Section):
    """One-shot-colour camera."""

    sensor: Annotated[
        Literal["bsi-8mp", "bsi-5mp", "slr-16mp"], Field(description="Table of spectral response")
    ] = "bsi-8mp"
    peak_qe: Annotated[float, Field(gt=0, le=1, description="Quantum efficiency at the response peak")] = 0.8
    mosaic: Annotated[
        Literal["RGGB", "BGGR", "GRBG", "GBRG"], Field(description="Mosaic pattern in array order")
    ] = "RGGB"
    header_mosaic: Annotated[
        Literal["true", "wrong", "none"], Field(description="What the header says of the mosaic")
    ] = "true"
    width_px: Annotated[int, Field(ge=16, le=20000, description="Width of a frame in pixels")] = 1500
    height_px: Annotated[int, Field(ge=16, le=20000, description="Height of a frame in pixels")] = 1000
    pixel_um: Annotated[float, Field(gt=0, description="Pixel pitch in micrometres")] = 3.76
    gain_e_per_adu: Annotated[float, Field(gt=0, description="Electrons per ADU")] = 0.8
    read_noise_e: Annotated[float, Field(ge=0, description="Read noise in electrons")] = 1.6
    offset_adu: Annotated[float, Field(ge=0, description="Pedestal in ADU")] = 500.0
    column_offset_e: Annotated[
        float, Field(ge=0, description="Fixed offsets of columns, standard deviation in electrons")
    ] = 0.3
    adc_bits: Annotated[int, Field(ge=8, le=16, description="Bits of the converter")] = 16
    full_well_e: Annotated[float, Field(gt=0, description="Electrons a sample can hold")] = 50000.0
    bend: Annotated[
        float,
        Field(
            ge=0, lt=0.5, description="Part of the signal that is lost at full well; it grows with the signal"
        ),
    ] = 0.0
    temperature_c: Annotated[float, Field(ge=-60, le=60, description="Sensor temperature, deg C")] = -10.0
    dark_e_per_s: Annotated[
        float, Field(ge=0, description="Mean dark current at the reference temperature, electrons per second")
    ] = 0.004
    dark_reference_c: Annotated[
        float, Field(ge=-60, le=60, description="Temperature of dark_e_per_s and hot_e_per_s, deg C")
    ] = -10.0
    dark_doubling_c: Annotated[
        float,
        Field(gt=0, description="Warming that doubles the dark current, deg C; hot ones take half more"),
    ] = 6.6
    hot_share: Annotated[float, Field(ge=0, le=0.2, description="Share of hot samples")] = 5e-4
    hot_e_per_s: Annotated[
        float, Field(ge=0, description="Mean dark current of hot samples, electrons per second")
    ] = 1.0
    dead_share: Annotated[
        float, Field(ge=0, le=0.2, description="Share of samples that see half or less")
    ] = 5e-5
    glow_e_per_s: Annotated[
        float, Field(ge=0, description="Amplifier glow in the corner, electrons per second")
    ] = 0.02
    glow_px: Annotated[float, Field(gt=0, description="Reach of the glow, pixels to 1/e")] = 120.0
    prnu: Annotated[
        float, Field(ge=0, lt=0.5, description="Pixel to pixel variation of sensitivity, standard deviation")
    ] = 0.006
    cosmic_rays_per_cm2_s: Annotated[
        float, Field(ge=0, description="Cosmic rays and other particles, hits per cm2 and second")
    ] = 0.03


class Calibration(Section):
    """Calibration frames made beside the lights."""

    darks: Annotated[int, Field(ge=0, description="Darks")] = 0
    dark_exposure_s: Annotated[
        float | None, Field(gt=0, description="Exposure of the darks in seconds; unset: that of the lights")
    ] = None
    dark_temperature_c: Annotated[
        float | None, Field(description="Sensor temperature of the darks; unset: that of the lights")
    ] = None
    dark_temperatures_c: Annotated[
        tuple[float, ...],
        Field(description="Several temperatures, with so many darks at each; empty: dark_temperature_c"),
    ] = ()
    flats: Annotated[int, Field(ge=0, description="Flats")] = 0
    flat_exposure_s: Annotated[float, Field(gt=0, description="Exposure of the flats in seconds")] = 2.0
    flat_level: Annotated[
        float,
        Field(gt=0, le=2, description="Level of the brightest plane over the full range; above 1 is full"),
    ] = 0.5
    flat_levels: Annotated[
        tuple[Annotated[float, Field(gt=0, le=2)], ...],
        Field(
            description="Several levels, with so many flats at each, exposed in proportion (flat_exposure_s is for "
            "flat_level); empty: flat_level"
        ),
    ] = ()
    flat_drift: Annotated[
        float,
        Field(gt=-0.5, lt=0.5, description="Part by which the panel brightens from one flat to the next"),
    ] = 0.0
    flat_temperature_k: Annotated[
        float, Field(gt=500, description="Colour temperature of the flat panel, kelvin")
    ] = 4500.0
    bias: Annotated[int, Field(ge=0, description="Bias frames")] = 0
