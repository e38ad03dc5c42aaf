"""A user's own sites, optics and cameras, by name, from one TOML file."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from fourlight.errors import InputError
from fourlight.sensor.chip import Chip
from fourlight.sensor.optics import TRANSMISSION, Optics
from fourlight.settings import Section, from_toml, nearest
from fourlight.sky.site import DARK_SKY_MAG, EXTINCTION_MAG

__all__ = [
    "FILE_NAME",
    "CameraEntry",
    "OpticsEntry",
    "OwnThings",
    "SiteEntry",
    "entry_of",
    "loads",
    "usual_path",
]

FILE_NAME = "sites.toml"


class SiteEntry(Section):
    """Where somebody observes from."""

    latitude_deg: Annotated[float, Field(description="Latitude, degrees north")]
    longitude_deg: Annotated[float, Field(description="Longitude, degrees east")]
    height_m: Annotated[float, Field(description="Height above the sea, m")] = 0.0
    sky_mag: Annotated[
        float | None,
        Field(description=f"Moonless sky in the zenith, V mag per square arcsec; unset: {DARK_SKY_MAG:g}"),
    ] = None
    extinction_mag: Annotated[
        float | None, Field(description=f"Extinction per air mass in V, mag; unset: {EXTINCTION_MAG:g}")
    ] = None
    horizon: Annotated[
        str | None,
        Field(description="CSV file of the skyline (azimuth, altitude), from the folder of this file"),
    ] = None
    zone: Annotated[
        str | None, Field(description="Zone of times: hours from UTC, such as +2, or its name")
    ] = None


class OpticsEntry(Section):
    """A telescope or lens; aperture_mm or f_ratio, one of the two."""

    focal_mm: Annotated[float, Field(description="Focal length, mm")]
    aperture_mm: Annotated[float | None, Field(gt=0, description="Diameter of the aperture, mm")] = None
    f_ratio: Annotated[float | None, Field(gt=0, description="Focal length over aperture")] = None
    obstruction: Annotated[float, Field(description="Part of the diameter obstructed in the middle")] = 0.0
    transmission: Annotated[
        float | None, Field(description=f"Part of the light that passes it; unset: {TRANSMISSION:g}")
    ] = None

    def made(self, name: str) -> Optics:
        """These optics."""
        if (self.aperture_mm is None) == (self.f_ratio is None):
            raise InputError(f"optics {name}: aperture_mm or f_ratio, one of the two, is needed")
        aperture = self.aperture_mm or self.focal_mm / (self.f_ratio or 1.0)
        passed = self.transmission
        return Optics(
            self.focal_mm,
            aperture,
            self.obstruction,
            TRANSMISSION if passed is None else passed,
            passed is None,
        )


class CameraEntry(Section):
    """A camera; what is unset is assumed, and said so."""

    response: Annotated[str | None, Field(description="Name or CSV file of its curves; unset: generic")] = (
        None
    )
    pixel_um: Annotated[float | None, Field(description="Side of a pixel, micrometres")] = None
    width_px: Annotated[int | None, Field(description="Pixels across")] = None
    height_px: Annotated[int | None, Field(description="Pixels down")] = None
    read_noise_e: Annotated[float | None, Field(description="Read noise, electrons")] = None
    full_well_e: Annotated[float | None, Field(description="Electrons a pixel holds")] = None
    gain_e_per_adu: Annotated[float | None, Field(description="Electrons per ADU")] = None
    adc_bits: Annotated[int | None, Field(description="Bits of those ADU")] = None
    peak_efficiency: Annotated[
        float | None, Field(description="Electrons per photon at the highest value of the curves")
    ] = None
    dark_e_per_s: Annotated[float | None, Field(description="Dark current, electrons per second")] = None

    def stated(self) -> dict[str, Any]:
        """What is set of the numbers of a `Chip`."""
        found = self.model_dump(exclude={"response"})
        return {name: value for name, value in found.items() if value is not None and name in Chip.__slots__}


class OwnThings(Section):
    """All of the file."""

    site: Annotated[dict[str, SiteEntry], Field(default_factory=dict, description="Sites by name")]
    optics: Annotated[dict[str, OpticsEntry], Field(default_factory=dict, description="Optics by name")]
    camera: Annotated[dict[str, CameraEntry], Field(default_factory=dict, description="Cameras by name")]


def loads(text: str, source: str) -> OwnThings:
    """What is in the file.

    Raises
    ------
    RecipeError
        Not TOML, an unknown key, or a value that cannot be used.

    Examples
    --------
    >>> loads("[site.ledge]\\nlatitude_deg = 31.5\\nlongitude_deg = -38", "sites.toml").site["ledge"].height_m
    0.0
    """
    kinds: dict[str, type[Section]] = {"site": SiteEntry, "optics": OpticsEntry, "camera": CameraEntry}
    known = [*kinds, *(f"{kind}.NAME.{key}" for kind, entry in kinds.items() for key in entry.model_fields)]
    return from_toml(OwnThings, text, known, source)


def usual_path() -> Path:
    """Where the file is looked for: in the user's folder for settings."""
    if sys.platform == "win32":
        base = os.environ.get("APPDATA") or os.path.join(os.path.expanduser("~"), "AppData", "Roaming")
    else:
        base = os.environ.get("XDG_CONFIG_HOME") or os.path.join(os.path.expanduser("~"), ".config")
    return Path(base) / "fourlight" / FILE_NAME


def entry_of(found: dict[str, Any], kind: str, name: str, source: str, otherwise: str) -> Any:
    """An entry of a kind by name.

    Raises
    ------
    InputError
        There is none; the nearest is named, and how to do without the file.
    """
    if name in found:
        return found[name]
    said = nearest(name, found, f"{kind} of this name in {source}") if found else f"no {kind} in {source}"
    raise InputError(f"{kind} {name!r}: {said}; {otherwise}")
