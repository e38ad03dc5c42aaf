"""FITS images against the standard's own numbers and against astropy as a second reader."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits as reference

from fits_images import DTYPES, SHAPE, units_of, values_of
from fourlight.errors import FrameError
from fourlight.io import fits
from fourlight.io.cards import parse
from fourlight.io.mapping import scaled


def test_unsigned_16_bit_bytes_of_the_standard(tmp_path: Path) -> None:
    """FITS Standard 5.2.5: 0, 1, 32767, 32768, 65535 are stored as 8000 8001 ffff 0000 7fff; 4.4.2.5 scales."""
    stored = np.frombuffer(bytes.fromhex("80008001ffff00007fff"), ">i2")
    assert scaled(stored, 1.0, 32768.0, None).tolist() == [0, 1, 32767, 32768, 65535]
    path = tmp_path / "five.fits"
    reference.PrimaryHDU(np.array([[0, 1, 32767, 32768, 65535]], dtype=np.uint16)).writeto(path)
    content = path.read_bytes()
    unit = units_of(path)[0]
    assert content[unit.data_start : unit.data_start + 10].hex() == "80008001ffff00007fff"
    assert len(content) == 5760  # FITS Standard 3.1: one block of header, one of data
    assert (unit.data_start, unit.data_bytes) == (2880, 10)


@pytest.mark.parametrize("dtype", DTYPES)
@pytest.mark.parametrize("place", ["primary", "extension"])
def test_plain_number_types_agree_with_astropy(tmp_path: Path, dtype: str, place: str) -> None:
    image = values_of(dtype)
    path = tmp_path / "plain.fits"
    if place == "primary":
        reference.PrimaryHDU(image).writeto(path)
    else:
        first = reference.ImageHDU(np.zeros((2, 3), np.int16))
        reference.HDUList([reference.PrimaryHDU(), first, reference.ImageHDU(image)]).writeto(path)
    found = fits.find_image(path)
    assert (found.packing, found.hdu) == ("none", 0 if place == "primary" else 2)
    source = fits.mapped(found)
    assert source.shape == SHAPE
    np.testing.assert_array_equal(source.read(0, 37, 0, 50), image.astype(np.float32))
    np.testing.assert_array_equal(source.read(5, 9, 11, 48), image[5:9, 11:48].astype(np.float32))


@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16", "int32", "uint32", "float32"])
@pytest.mark.parametrize("packing", ["gzip", "RICE_1", "GZIP_1", "GZIP_2", "tiles in gzip"])
def test_packed_number_types_agree_with_astropy(tmp_path: Path, dtype: str, packing: str) -> None:
    image = values_of(dtype)
    path = tmp_path / "packed.fits.gz"
    if packing == "gzip":
        reference.PrimaryHDU(image).writeto(path)
    else:
        kind = "RICE_1" if packing == "tiles in gzip" else packing
        unit = reference.CompImageHDU(image, compression_type=kind, quantize_level=16.0)
        path = tmp_path / ("packed.fits.fz" if packing != "tiles in gzip" else path.name)
        reference.HDUList([reference.PrimaryHDU(), unit]).writeto(path)
    with reference.open(path) as units:
        truth = np.asarray(units[-1].data).astype(np.float32)
    found = fits.find_image(path)
    assert found.packing == ("gzip" if packing == "gzip" else "tiles")
    whole = fits.rows(found, 0, 37)
    assert whole.dtype == (np.uint16 if dtype in ("uint8", "uint16") else np.float32)
    np.testing.assert_array_equal(whole.astype(np.float32), truth)
    np.testing.assert_array_equal(fits.rows(found, 8, 20).astype(np.float32), truth[8:20])


def test_scale_and_blank_agree_with_astropy(tmp_path: Path) -> None:
    """FITS Standard 4.4.2.5 equation 3 and BLANK; in floats IEEE NaN is the undefined value (5.3)."""
    unit = reference.PrimaryHDU(np.arange(1600, dtype=np.int16).reshape(40, 40))
    unit.header["BLANK"] = 7
    path = tmp_path / "scaled.fits"
    unit.writeto(path)
    content = path.read_bytes()
    cards = b"BSCALE  =                 0.25".ljust(80) + b"BZERO   =                -10.5".ljust(80)
    content = content.replace(b"END".ljust(80) + b" " * 160, cards + b"END".ljust(80), 1)
    path.write_bytes(content)
    truth = reference.getdata(path)
    ours = fits.mapped(fits.find_image(path)).read(0, 40, 0, 40)
    np.testing.assert_array_equal(ours, truth.astype(np.float32))
    assert np.isnan(ours[0, 7])
    assert ours[0, 8] == -10.5 + 0.25 * 8


def test_scaling_of_the_primary_header_leaves_an_extension_alone(tmp_path: Path) -> None:
    """FITS Standard 4.4.2.5: BSCALE, BZERO and BLANK describe the array of their own unit; astropy reads it so."""
    first = reference.PrimaryHDU(np.zeros((40, 40), np.int16))
    unit = reference.ImageHDU(np.arange(1650, dtype=np.int16).reshape(33, 50))
    path = tmp_path / "extension.fits"
    reference.HDUList([first, unit]).writeto(path)
    content = path.read_bytes()
    cards = b"".join(
        card.ljust(80) for card in (b"BSCALE  = 2.0", b"BZERO   = 32768", b"BLANK   = 7", b"GAIN    = 3")
    )
    content = content.replace(b"END".ljust(80) + b" " * 320, cards + b"END".ljust(80), 1)
    path.write_bytes(content)
    found = fits.find_image(path)
    assert (found.hdu, found.scale, found.cards["GAIN"].value) == (1, (1.0, 0.0, None), 3)
    np.testing.assert_array_equal(fits.mapped(found).read(0, 33, 0, 50), reference.getdata(path, 1))


def test_floats_beyond_float32_are_undefined_when_they_are_scaled() -> None:
    stored = np.array([1.0, np.inf, -np.inf, np.nan, 1e300])
    for scale, zero in ((1.0, 0.0), (2.0, 0.0), (1.0, 0.5), (1.0, 8.0)):
        values = scaled(stored, scale, zero, None)
        assert values[0] == scale + zero
        assert np.isnan(values[1:]).all()
    assert np.isnan(scaled(np.array([2], np.int32), 1e38, 3e38, None)).all()


def test_the_read_only_file_is_not_held_open(tmp_path: Path) -> None:
    path = tmp_path / "plain.fits"
    reference.PrimaryHDU(values_of("uint16")).writeto(path)
    source = fits.mapped(fits.find_image(path))
    kept = source.read(0, 2, 0, 2)
    path.unlink()
    with pytest.raises(FrameError, match="cannot be read any more"):
        source.read(0, 2, 0, 2)
    assert kept.shape == (2, 2)


def write_bytes(path: Path, content: bytes) -> Path:
    path.write_bytes(content)
    return path


def read_all(path: Path) -> np.ndarray:
    found = fits.find_image(path)
    return fits.rows(found, 0, found.ny)


def plain_bytes(image: np.ndarray, tmp_path: Path) -> bytes:
    path = tmp_path / "whole.fits"
    reference.PrimaryHDU(image).writeto(path)
    return path.read_bytes()


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda whole: b"", "empty"),
        (lambda whole: b"\xff\xd8\xff\xe0JFIF" * 500, "not a FITS file"),
        (lambda whole: whole[:400], "no END"),
        (lambda whole: whole[:4000], "cut short: 2,580 bytes"),
        (lambda whole: gzip.compress(whole)[:-900], "cut short"),
        (lambda whole: gzip.compress(whole[:4000]), "cut short"),
        (lambda whole: gzip.compress(whole)[:60] + b"\0" * 4000, "damaged|cut short|invalid|FITS"),
        (lambda whole: b"\x1f\x8b" + b"garbage" * 40, "damaged|cut short|Unknown|Not a gzip"),
    ],
)
def test_broken_files_are_refused_with_the_reason(tmp_path: Path, change, reason: str) -> None:
    whole = plain_bytes(values_of("uint16"), tmp_path)
    assert 2880 + SHAPE[0] * SHAPE[1] * 2 == 6580
    with pytest.raises(FrameError, match=reason):
        read_all(write_bytes(tmp_path / "broken.fits", change(whole)))


@pytest.mark.parametrize(
    ("image", "reason"),
    [
        (np.zeros((3, 40, 40), np.uint16), "already a colour image"),
        (np.zeros((40, 40, 3), np.uint16), "already a colour image"),
        (np.zeros((7, 40, 40), np.uint16), "cube of 40 x 40 x 7"),
        (np.zeros(50, np.uint16), "no image of two dimensions"),
        (None, "no image of two dimensions"),
        (np.zeros((40, 12), np.uint16), "only 12 x 40 pixels"),
    ],
)
def test_images_of_another_kind_are_refused(tmp_path: Path, image: np.ndarray | None, reason: str) -> None:
    path = tmp_path / "other.fits"
    reference.PrimaryHDU(image).writeto(path)
    with pytest.raises(FrameError, match=reason):
        fits.find_image(path)


def test_a_cube_of_one_plane_is_an_image(tmp_path: Path) -> None:
    path = tmp_path / "one.fits"
    image = values_of("uint16")
    reference.PrimaryHDU(image[None]).writeto(path)
    found = fits.find_image(path)
    np.testing.assert_array_equal(fits.mapped(found).read(0, 37, 0, 50), image)
    packed = tmp_path / "one.fits.fz"
    reference.HDUList([reference.PrimaryHDU(), reference.CompImageHDU(image[None])]).writeto(packed)
    np.testing.assert_array_equal(fits.rows(fits.find_image(packed), 3, 9), image[3:9])


def test_a_table_beside_the_image_does_no_harm(tmp_path: Path) -> None:
    table = reference.BinTableHDU.from_columns([reference.Column("a", "J", array=np.arange(100))])
    path = tmp_path / "table.fits"
    reference.HDUList([reference.PrimaryHDU(), table, reference.ImageHDU(values_of("int16"))]).writeto(path)
    assert fits.find_image(path).hdu == 2


def test_damaged_tiles_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "packed.fits.fz"
    unit = reference.CompImageHDU(values_of("uint16"), compression_type="GZIP_1")
    reference.HDUList([reference.PrimaryHDU(), unit]).writeto(path)
    content = bytearray(path.read_bytes())
    start = units_of(path)[1].data_start
    content[start + 600 :] = b"\x55" * (len(content) - start - 600)
    path.write_bytes(content)
    with pytest.raises(FrameError, match="the packed image is damaged"):
        fits.rows(fits.find_image(path), 0, 37)


def test_cards_of_every_kind() -> None:
    text = [
        "SIMPLE  =                    T / conforms",
        "NAME    = 'it''s / here'       / a comment",
        "DOUBLE  =             1.25D+02",
        "EMPTY   =                      / undefined",
        "HIERARCH long key word = 12 / with blanks",
        "LONG    = 'first part, &'",
        "CONTINUE  'second part' / tail",
        "COMMENT = 'no value'",
        "NOVALUE",
        "INF     =                  INF",
        "NAME    = 'later'",
    ]
    cards = parse("".join(line.ljust(80) for line in [*text, "END", "AFTER   = 1"]).encode())
    assert cards["NAME"] == ("it's / here", "a comment")
    assert cards["DOUBLE"].value == 125.0
    assert cards["EMPTY"].value is None
    assert cards["INF"].value is None
    assert cards["LONG KEY WORD"] == (12, "with blanks")
    assert cards["LONG"].value == "first part, second part"
    assert "AFTER" not in cards
    header = reference.Header.fromstring("".join(line.ljust(80) for line in text[:7]) + "END".ljust(80))
    for name in ("SIMPLE", "NAME", "DOUBLE", "LONG"):
        assert header[name] == cards[name].value
