"""Small invented lights of a real place of the sky, as FITS files."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from astropy.io import fits

from fourlight.core.tangent import gnomonic
from fourlight.sky.catalogue import cone

NY, NX = 300, 400
PIXEL_UM, FOCAL_MM = 6.0, 60.0
"""20.6 arcsec per pixel: 2.3 by 1.7 degrees."""
PLACE = (83.4, 21.8)
OFF = (0.4, -0.3)
"""How far the header's place is beside the middle."""


Colours = Callable[[float], tuple[float, float, float]]


def usual_colours(b_v: float) -> tuple[float, float, float]:
    """Light of a star in red, green and blue, over that in green."""
    return 0.7 * 10 ** (0.25 * (b_v - 0.6)), 1.0, 0.6 * 10 ** (-0.25 * (b_v - 0.6))


def write_lights(
    folder: Path, count: int = 4, *, place: bool = True, optics: bool = True, colours: Colours = usual_colours
) -> None:
    """Gaussian stars of the catalogue on an even sky, Poisson noise, shifted from light to light."""
    folder.mkdir(parents=True)
    random = np.random.default_rng(5)
    scale = PIXEL_UM / FOCAL_MM * 206.264806
    stars = cone(*PLACE, 1.8)
    xi, eta = gnomonic(stars.ra_deg, stars.dec_deg, *PLACE)
    yy, xx = np.mgrid[0:NY, 0:NX]
    for k in range(count):
        light = np.full((NY, NX), 400.0)
        shift = random.uniform(-3, 3, 2)
        places = (-xi * 3600 / scale, -eta * 3600 / scale, stars.v_mag, np.nan_to_num(stars.b_v))
        for x, y, v, b_v in zip(*places, strict=True):
            at_x, at_y = x + (NX - 1) / 2 + shift[0], y + (NY - 1) / 2 + shift[1]
            if not (-8 < at_x < NX + 8 and -8 < at_y < NY + 8):
                continue
            box = np.s_[
                max(int(at_y) - 9, 0) : max(int(at_y) + 10, 0), max(int(at_x) - 9, 0) : max(int(at_x) + 10, 0)
            ]
            spot = np.exp(-0.5 * ((xx[box] - at_x) ** 2 + (yy[box] - at_y) ** 2) / 1.3**2)
            seen = _response(box, *colours(b_v)) * 10 ** (-0.4 * (v - 6.0)) / (2 * np.pi * 1.3**2)
            light[box] += 4e5 * seen * spot
        image = np.clip(random.poisson(light) + 500, 0, 65535).astype(np.uint16)
        header = fits.Header({"IMAGETYP": "Light", "EXPTIME": 60.0, "BAYERPAT": "RGGB", "OBJECT": "invented"})
        header["DATE-OBS"] = f"2031-01-15T21:{k:02d}:00"
        if place:
            header["RA"], header["DEC"] = PLACE[0] + OFF[0], PLACE[1] + OFF[1]
        if optics:
            header["XPIXSZ"], header["FOCALLEN"] = PIXEL_UM, FOCAL_MM
        fits.writeto(folder / f"light_{k}.fits", image, header)


def _response(box: tuple[slice, slice], red: float, green: float, blue: float) -> np.ndarray:
    """Light of a star in each sample of an RGGB mosaic."""
    y, x = np.arange(box[0].start, box[0].stop) % 2, np.arange(box[1].start, box[1].stop) % 2
    mosaic = np.array([[red, green], [green, blue]])[np.ix_(y, x)]
    return mosaic[: max(NY - box[0].start, 0), : max(NX - box[1].start, 0)]
