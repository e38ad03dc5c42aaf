"""What reads bytes from outside, each as one function, and small whole files to begin from.

A reader may refuse anything with one of the program's own errors, whose text is one line that a user can read. Whatever
else happens is a fault: another error, more than five seconds, more memory than `MOST_BYTES`.
"""

from __future__ import annotations

import gzip
import io
import json
import struct
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits

from fourlight import provenance, recipe
from fourlight.errors import FourlightError, reason
from fourlight.io.fits_planes import planes_of
from fourlight.io.pixels import open_pixels
from fourlight.io.scan import scan
from fourlight.io.texts import text_of
from fourlight.pipeline import marks, own_things, setups, star_table
from fourlight.sensor import curve_text, profile
from fourlight.simulate import scene
from fourlight.sky.skyline import skyline_from_text
from fourlight.stages import claim_file
from fourlight.stages.blank import with_blank_rows

__all__ = ["MOST_BYTES", "READERS", "Reader", "read"]

MOST_BYTES = 1 << 30
"""Memory that a process may hold while it reads one of these small files, the program itself among it."""
LONGEST_LINE = 2000


@dataclass(frozen=True)
class Reader:
    """One kind of file."""

    name: str
    suffix: str
    work: Callable[[Path], object]
    seeds: Callable[[], list[bytes]]


def read(reader: Reader, content: bytes, folder: Path) -> str:
    """What became of a file: empty where it was read, else the line that refuses it."""
    path = folder / f"light{reader.suffix}"
    path.write_bytes(content)
    try:
        reader.work(path)
    except FourlightError as error:
        said = reason(error)
        assert said.strip(), "it was refused without a word"
        assert len(said) < LONGEST_LINE, f"it was refused in {len(said)} letters"
        assert said.isprintable(), f"no plain line: {said!r}"
        return said
    return ""


def _frame(path: Path) -> None:
    """Every sample of a frame, as a run reads it."""
    found = scan([path.parent], None, {path})
    for item in found.set_aside:
        assert item.reason.strip(), "it was set aside without a word"
        assert item.reason.isprintable(), f"no plain line: {item.reason!r}"
    for frame in found.frames:
        source = open_pixels(with_blank_rows(frame, open_pixels(frame, None)), path.parent / "decoded")
        source.read(0, frame.ny, 0, frame.nx)


def _planes(path: Path) -> None:
    for plane in planes_of(path).values():
        plane.read(0, plane.shape[0], 0, plane.shape[1])


def _text(parse: Callable[[str, str], object]) -> Callable[[Path], object]:
    return lambda path: parse(text_of(path, "a text", "name another"), path.name)


def _marks(path: Path) -> None:
    path.replace(path.with_name(marks.FILE))
    marks.with_marks(path.parent, recipe.Recipe())


def _stars(path: Path) -> None:
    path.replace(path.with_name(star_table.STARS))
    star_table.read_stars(path.parent)


def _mosaic(**cards: object) -> fits.PrimaryHDU:
    data = np.random.default_rng(1).normal(900, 30, (32, 40)).astype(np.uint16)
    hdu = fits.PrimaryHDU(data)
    hdu.header.update(
        {"BAYERPAT": "RGGB", "EXPTIME": 60.0, "GAIN": 100, "IMAGETYP": "LIGHT", "DATE-OBS": "2031-08-14T22:10:00",
         "FILTER": "none", **cards}
    )  # fmt: skip
    return hdu


def _fits(hdus: list[fits.PrimaryHDU | fits.ImageHDU | fits.CompImageHDU]) -> bytes:
    stream = io.BytesIO()
    fits.HDUList(hdus).writeto(stream)
    return stream.getvalue()


def _frames() -> list[bytes]:
    plain = _fits([_mosaic()])
    real = _mosaic(BLANK=0)
    real.data = real.data.astype(np.int16)
    tiled = [_packed(kind) for kind in ("RICE_1", "GZIP_1", "GZIP_2", "PLIO_1", "HCOMPRESS_1")]
    return [plain, _fits([real]), _fits([fits.PrimaryHDU(np.ones((3, 32, 40), np.float32))]), *tiled]


def _packed(kind: str) -> bytes:
    data = _mosaic().data.astype(np.int16)
    return _fits([fits.PrimaryHDU(), fits.CompImageHDU(data, _mosaic().header, compression_type=kind)])


def _gzipped() -> list[bytes]:
    return [gzip.compress(_fits([_mosaic()])), gzip.compress(_fits([_mosaic()]))[:200]]


def _stacks() -> list[bytes]:
    plane = np.random.default_rng(2).normal(size=(16, 20)).astype(np.float32)
    return [
        _fits([fits.PrimaryHDU(), *(fits.ImageHDU(plane, name=name) for name in ("R", "G", "B", "VAR_R"))])
    ]


def _camera_raw() -> list[bytes]:
    """The smallest mosaic that the open specifications of TIFF and DNG allow."""
    samples = np.random.default_rng(3).integers(500, 9000, (24, 32)).astype("<u2").tobytes()
    entries = [
        (254, 4, 1, 0), (256, 4, 1, 32), (257, 4, 1, 24), (258, 3, 1, 16), (259, 3, 1, 1), (262, 3, 1, 32803),
        (273, 4, 1, 0), (277, 3, 1, 1), (278, 4, 1, 24), (279, 4, 1, len(samples)),
        (33421, 3, 2, 2 | 2 << 16), (33422, 1, 4, 0 | 1 << 8 | 1 << 16 | 2 << 24), (50706, 1, 4, 1 | 4 << 8),
        (50717, 4, 1, 16383),
    ]  # fmt: skip
    start = 8 + 2 + 12 * len(entries) + 4
    table = b"".join(
        struct.pack("<HHII", tag, kind, count, start if tag == 273 else value)
        for tag, kind, count, value in entries
    )
    return [b"II*\0" + struct.pack("<IH", 8, len(entries)) + table + struct.pack("<I", 0) + samples]


def _records() -> list[bytes]:
    whole = {
        "inputs": {"nights/a.fits": "00" * 32}, "searched": ["nights"], "others": {},
        "recipe": recipe.Recipe().model_dump(), "set_aside": [], "steps": [],
    }  # fmt: skip
    return [json.dumps(whole).encode(), b"{}"]


CURVE = b"wavelength_nm,red,green,blue\n" + b"".join(
    b"%d,%.2f,%.2f,%.2f\n" % (nm, 0.01 + k / 60, 0.5 - abs(k - 15) / 36, 0.6 - k / 60)
    for k, nm in enumerate(range(400, 701, 10))
)
BAND = b"nm,transmission\n" + b"".join(
    b"%d,%.1f\n" % (nm, 0.9 * (490 < nm < 510)) for nm in range(480, 521, 4)
)
SITES = b'[site.ledge]\nlatitude_deg = 31.5\nlongitude_deg = -38.0\nsky_mag = 21.4\nhorizon = "ledge.csv"\n'
SETUP = b'sub_s = 120\n[camera]\nresponse = "bsi-8mp"\npixel_um = 3.8\n[optics]\nfocal_mm = 400\naperture_mm = 80\n'
SETUP += b'[[filters]]\nfilter = "halpha-7nm"\nshare = 1\n'
MARKS = b'[lights]\nuse = ["/n/b.fits"]\nleave_out = {"/n/a.fits" = "fog"}\n'
CLAIM = b'[[claims]]\nname = "red is wide"\nquestion = "Is it?"\nquantity = "width_px"\ncompare = "slope"\n'
CLAIM += b'over = "temperature"\nstep = 10\nplanes = ["R"]\nnull = 1.0\nmatters = 1.03\ndirection = "more"\n'
PROFILE = b'format = 1\n[camera]\nname = "one"\nwidth_px = 200\nheight_px = 100\nmosaic = "RGGB"\n'
PROFILE += b'[quantities]\ngain = {value = 1.25, error = 0.01, unit = "e/ADU", frames = 12}\n'
STARS = ",".join(star_table.COLUMNS).encode() + b"\n" + b"7.5,8,1,2,3,4,.1,.1,.1,.1,2.5,1.1,0\n"
SCENE = (
    b'seed = 3\n[object]\nkind = "none"\n[camera]\nwidth_px = 240\nheight_px = 180\n[[nights]]\ncount = 4\n'
)

READERS = {
    reader.name: reader
    for reader in (
        Reader("fits", ".fits", _frame, _frames),
        Reader("fits-gz", ".fits.gz", _frame, _gzipped),
        Reader("stack", ".fits", _planes, _stacks),
        Reader("camera-raw", ".dng", _frame, _camera_raw),
        Reader("recipe", ".toml", _text(recipe.loads), lambda: [b"[integrate]\nmethod = \"drizzle\"\n"]),
        Reader("sites", ".toml", _text(own_things.loads), lambda: [SITES]),
        Reader("marks", ".toml", _marks, lambda: [MARKS]),
        Reader("claims", ".toml", _text(claim_file.loads), lambda: [CLAIM]),
        Reader("scene", ".toml", _text(scene.loads), lambda: [SCENE]),
        Reader("profile", ".toml", _text(profile.loads), lambda: [PROFILE]),
        Reader(
            "setup", ".toml", lambda path: setups.loads(text_of(path, "a setup", "-"), path.name, path.parent),
            lambda: [SETUP],
        ),
        Reader("curve", ".csv", _text(curve_text.camera_from_text), lambda: [CURVE, CURVE.replace(b",", b"\t")]),
        Reader("filter", ".csv", _text(curve_text.filter_from_text), lambda: [BAND]),
        Reader("skyline", ".csv", _text(skyline_from_text), lambda: [b"azimuth,altitude\n0,12\n90,5\n200,8\n"]),
        Reader("stars", ".csv", _stars, lambda: [STARS]),
        Reader("provenance", ".json", provenance.load, _records),
    )
}  # fmt: skip

if __name__ == "__main__":
    sys.stdout.write("\n".join(READERS) + "\n")
