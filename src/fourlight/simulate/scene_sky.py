"""Settings of a scene that describe the object, the stars, the site and the nights."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from fourlight.settings import Section

__all__ = ["Night", "Object", "Site", "Stars"]


class Object(Section):
    """The nebula: lines in rayleighs, continuum in V magnitudes, dust in V magnitudes of extinction."""

    kind: Annotated[
        Literal["nebula", "galaxy", "disc", "none"],
        Field(
            description="nebula: invented nebula; galaxy: invented spiral, arms reflection_mag and bulge starlight_mag "
            "bright; disc: smooth round patch for tests; none: stars only"
        ),
    ] = "nebula"
    name: Annotated[str, Field(description="Name written in the headers")] = "Kelder's Lantern"
    seed: Annotated[int, Field(ge=0, description="Seed of the shapes")] = 7
    size: Annotated[
        float,
        Field(gt=0, description="Diameter of the shell, or of the galaxy, over the height of the frame"),
    ] = 0.62
    halpha_rayleigh: Annotated[float, Field(ge=0, description="Hα near the brightest parts, rayleigh")] = (
        4000.0
    )
    oiii_ratio: Annotated[float, Field(ge=0, description="[OIII] 500.7 over Hα, brightest parts of each")] = (
        0.8
    )
    nii_ratio: Annotated[float, Field(ge=0, description="[NII] 658.3 over Hα")] = 0.3
    sii_ratio: Annotated[float, Field(ge=0, description="[SII] doublet over Hα")] = 0.15
    reflection_mag: Annotated[
        float, Field(description="Reflected starlight where brightest, V mag per square arcsec")
    ] = 20.5
    reflection_temperature_k: Annotated[
        float, Field(gt=500, description="Colour temperature of the reflected light, kelvin")
    ] = 18000.0
    starlight_mag: Annotated[
        float, Field(description="Unresolved starlight behind the dust, V mag per square arcsec")
    ] = 23.0
    dust_mag: Annotated[
        float, Field(ge=0, description="Extinction A(V) of the thickest dust, magnitudes")
    ] = 4.0


class Stars(Section):
    """Field stars and one open cluster; temperatures are those of black bodies."""

    count: Annotated[int, Field(ge=0, description="Stars inside one frame")] = 2500
    brightest_mag: Annotated[float, Field(description="V of the brightest field stars")] = 7.5
    faintest_mag: Annotated[float, Field(description="V of the faintest field stars")] = 18.5
    slope: Annotated[float, Field(gt=0, le=0.8, description="Rise of the log of the count per magnitude")] = (
        0.3
    )
    temperature_k: Annotated[
        float | None, Field(gt=500, description="One temperature for all stars; unset: a realistic mixture")
    ] = None
    catalogue: Annotated[
        bool, Field(description="Add the stars of the catalogue (to V = 11) around the place of the object")
    ] = False
    catalogue_error: Annotated[
        float, Field(ge=0, le=3, description="Errors of V and B-V of the catalogue over the usual ones")
    ] = 1.0
    cluster_count: Annotated[int, Field(ge=0, description="Stars of the cluster")] = 60
    cluster_x: Annotated[float, Field(description="Centre of the cluster over the frame width")] = 0.8
    cluster_y: Annotated[float, Field(description="Centre of the cluster over the frame height")] = 0.25
    cluster_radius: Annotated[
        float, Field(gt=0, description="Half-number radius of the cluster over the frame height")
    ] = 0.045
    cluster_brightest_mag: Annotated[float, Field(description="V of its brightest star")] = 9.5


class Site(Section):
    """Where the camera stands; an invented place."""

    name: Annotated[str, Field(description="Name written in the headers")] = "Ondrel Ledge"
    latitude_deg: Annotated[float, Field(ge=-90, le=90, description="Latitude, degrees north")] = 31.5
    longitude_deg: Annotated[float, Field(ge=-180, le=360, description="Longitude, degrees east")] = -38.0
    ra_deg: Annotated[float, Field(ge=0, lt=360, description="Right ascension of the object")] = 287.4
    dec_deg: Annotated[float, Field(ge=-90, le=90, description="Declination of the object")] = 18.2


class Night(Section):
    """One night of lights; numbers of frames count from 1 within the night."""

    count: Annotated[int, Field(ge=1, description="Lights")] = 8
    start_utc: Annotated[
        str, Field(description="Start of the first exposure, UTC, as 2031-08-14T22:30:00")
    ] = "2031-08-14T23:30:00"
    gap_s: Annotated[float, Field(ge=0, description="Pause between exposures in seconds")] = 8.0
    exposure_s: Annotated[
        float | None, Field(gt=0, description="Exposure in seconds; unset: that of the scene")
    ] = None
    sky_mag: Annotated[float, Field(description="Dark sky at the zenith, V mag per square arcsec")] = 21.2
    sky_temperature_k: Annotated[float, Field(gt=500, description="Colour of the dark sky, kelvin")] = 4400.0
    sky_drift_mag: Annotated[
        float, Field(description="Change of the whole sky from first to last light, magnitudes")
    ] = 0.0
    zenith_deg: Annotated[float, Field(ge=0, lt=90, description="Zenith distance of the object")] = 30.0
    zenith_angle_deg: Annotated[
        float | None,
        Field(description="Direction of the zenith on the truth grid, +x towards +y; unset: no dispersion"),
    ] = None
    zenith_turn_deg: Annotated[
        float, Field(description="Change of that direction from first to last light, degrees")
    ] = 0.0
    moon_phase_deg: Annotated[
        float | None, Field(ge=-180, le=180, description="Phase angle of the Moon, 0 is full; unset: no Moon")
    ] = None
    moon_zenith_deg: Annotated[float, Field(ge=0, le=180, description="Zenith distance of the Moon")] = 50.0
    moon_separation_deg: Annotated[
        float, Field(ge=5, le=180, description="Angle between the Moon and the object")
    ] = 60.0
    moon_temperature_k: Annotated[
        float, Field(gt=500, description="Colour of the sky lit by the Moon, kelvin")
    ] = 8000.0
    extinction_mag: Annotated[
        float, Field(ge=0, description="Extinction per air mass in V, for the moonlight")
    ] = 0.172
    gradient: Annotated[
        float, Field(ge=0, lt=2, description="Sky from one side of the frame to the other, over its mean")
    ] = 0.06
    gradient_angle_deg: Annotated[
        float, Field(description="Direction in which the sky gets brighter, from +x towards +y")
    ] = 60.0
    seeing_arcsec: Annotated[
        float, Field(gt=0, description="Seeing, FWHM at 500 nm towards the object, arcsec")
    ] = 2.6
    seeing_scatter: Annotated[
        float, Field(ge=0, le=1, description="Scatter of the seeing over its mean, frame to frame")
    ] = 0.08
    correlation: Annotated[
        float, Field(ge=0, lt=1, description="Correlation of neighbouring frames (seeing, clouds)")
    ] = 0.7
    transparency: Annotated[float, Field(gt=0, le=1, description="Light that gets through, clear frames")] = (
        1.0
    )
    transparency_scatter: Annotated[
        float, Field(ge=0, le=0.5, description="Scatter of the transparency of clear frames")
    ] = 0.01
    cloud_share: Annotated[float, Field(ge=0, le=1, description="Share of frames with cloud")] = 0.0
    cloud_mag: Annotated[float, Field(ge=0, description="Dimming by the thickest cloud, magnitudes")] = 1.0
    cloud_glow: Annotated[
        float, Field(ge=0, description="Sky brightening over the share of light the cloud takes")
    ] = 0.6
    dither_px: Annotated[float, Field(ge=0, description="Dither, standard deviation per axis, pixels")] = 6.0
    offset_x_px: Annotated[float, Field(description="Pointing offset of the night, pixels")] = 0.0
    offset_y_px: Annotated[float, Field(description="Pointing offset of the night, pixels")] = 0.0
    rotation_deg: Annotated[
        float, Field(ge=-180, le=180, description="Camera angle against the reference, degrees")
    ] = 0.0
    scale: Annotated[
        float, Field(gt=0.2, lt=5, description="Field of a pixel over that of the reference frame")
    ] = 1.0
    flip_after: Annotated[
        int | None, Field(ge=0, description="Lights before the meridian flip (180 degrees); unset: no flip")
    ] = None
    trail_share: Annotated[float, Field(ge=0, le=1, description="Share of frames with a satellite trail")] = (
        0.0
    )
    trail_e_per_px: Annotated[
        float, Field(ge=0, description="Typical light of a trail in green, electrons per pixel of length")
    ] = 400.0
    trailed: Annotated[tuple[int, ...], Field(description="Numbers of frames with lost guiding")] = ()
    trailed_arcsec: Annotated[float, Field(ge=0, description="Smear of those, FWHM in arcsec")] = 9.0
    defocused: Annotated[tuple[int, ...], Field(description="Numbers of frames out of focus")] = ()
    defocus_arcsec: Annotated[float, Field(ge=0, description="Blur of those, FWHM in arcsec")] = 8.0

    @field_validator("start_utc")
    @classmethod
    def _is_a_date(cls, text: str) -> str:
        try:
            datetime.fromisoformat(text)
        except ValueError:
            raise ValueError(
                "must be a date and time of the calendar in UTC, such as 2031-08-14T21:30:00"
            ) from None
        return text

    @model_validator(mode="after")
    def _frames_exist(self) -> Night:
        for number in (*self.trailed, *self.defocused):
            if not 1 <= number <= self.count:
                raise ValueError(
                    f"frame {number} in trailed or defocused: the night has frames 1 to {self.count}"
                )
        return self
