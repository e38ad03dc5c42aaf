"""Simulated frames as FITS files, with the headers that cameras write."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import numpy.typing as npt
from astropy.io import fits

from fourlight.io.room import whole, writing
from fourlight.simulate.plan import LightPlan
from fourlight.simulate.scene import Scene, start_time

__all__ = ["calibration_header", "light_header", "save", "write_fits"]

_WRONG = {"RGGB": "BGGR", "BGGR": "RGGB", "GRBG": "GBRG", "GBRG": "GRBG"}


def light_header(scene: Scene, plan: LightPlan) -> fits.Header:
    """Header of a light."""
    header = _common(scene, "LIGHT", plan.exposure_s, scene.camera.temperature_c, plan.time)
    header["OBJECT"] = (scene.object.name, "invented object")
    header["RA"] = (scene.site.ra_deg, "[deg] right ascension of the field centre")
    header["DEC"] = (scene.site.dec_deg, "[deg] declination of the field centre")
    return header


def calibration_header(
    scene: Scene, role: str, exposure_s: float, temperature_c: float, index: int
) -> fits.Header:
    """Header of a dark, flat or bias frame, taken in the hours before the first night."""
    before = {"BIAS": 4, "DARK": 3, "FLAT": 2}[role]
    time = start_time(scene.nights[0]) - timedelta(hours=before) + timedelta(seconds=index * exposure_s)
    return _common(scene, role, exposure_s, temperature_c, time)


def _common(scene: Scene, role: str, exposure_s: float, temperature_c: float, time: datetime) -> fits.Header:
    camera, header = scene.camera, fits.Header()
    said = {"true": camera.mosaic, "wrong": _WRONG[camera.mosaic], "none": None}[camera.header_mosaic]
    cards: list[tuple[str, object, str]] = [
        ("IMAGETYP", role, "kind of frame"),
        ("EXPTIME", exposure_s, "[s] exposure"),
        ("DATE-OBS", time.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3], "start of exposure, UTC"),
        ("CCD-TEMP", temperature_c, "[deg C] sensor temperature"),
        ("GAIN", 100, "gain setting"),
        ("OFFSET", round(camera.offset_adu / 10), "offset setting"),
        ("EGAIN", camera.gain_e_per_adu, "[e/ADU] gain"),
        ("XBINNING", 1, "binning"),
        ("YBINNING", 1, "binning"),
        ("XPIXSZ", camera.pixel_um, "[um] pixel size"),
        ("YPIXSZ", camera.pixel_um, "[um] pixel size"),
        ("FOCALLEN", scene.optics.focal_mm, "[mm] focal length"),
        ("APTDIA", scene.optics.aperture_mm, "[mm] aperture"),
        ("FILTER", scene.filter.name, "filter"),
        ("INSTRUME", "simulated camera", "no such camera exists"),
        ("OBSERVAT", scene.site.name, "invented site"),
        ("SITELAT", scene.site.latitude_deg, "[deg] latitude"),
        ("SITELONG", scene.site.longitude_deg, "[deg] longitude east"),
    ]
    if said:
        cards[7:7] = [
            ("BAYERPAT", said, "mosaic from the first stored sample"),
            ("ROWORDER", "TOP-DOWN", "first stored row is the top of the picture"),
        ]
    for name, value, comment in cards:
        header[name] = (value, comment)
    return header


def write_fits(path: Path, frame: npt.NDArray[np.uint16], header: fits.Header) -> None:
    """Write a 16-bit frame (unsigned by BZERO) with checksums, replacing the file only when complete.

    Raises
    ------
    OutputError
        The folder cannot be written or the disk is full.
    """
    with writing(path):
        path.parent.mkdir(parents=True, exist_ok=True)
    save(fits.HDUList([fits.PrimaryHDU(frame, header)]), path)


def save(hdus: fits.HDUList, path: Path) -> None:
    """Write with CHECKSUM and DATASUM, without the date of writing: the same scene gives the same bytes."""
    for hdu in hdus:
        hdu.add_checksum(when="simulated")
    with whole(path) as part:
        hdus.writeto(part, overwrite=True, output_verify="exception")
