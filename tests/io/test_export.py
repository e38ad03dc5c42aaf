"""Pictures on disk, read back with other libraries and with the standards' own bytes."""

import io
import struct
import zlib

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from fourlight.errors import OutputError
from fourlight.io import export


@pytest.fixture
def rgb():
    return np.random.default_rng(3).uniform(0, 1, (150, 131, 3)).astype(np.float32)


def png_chunks(data):
    """Names and contents, every CRC checked (W3C PNG section 5.3)."""
    position, found = 8, []
    while position < len(data):
        (length,) = struct.unpack(">I", data[position : position + 4])
        name, content = data[position + 4 : position + 8], data[position + 8 : position + 8 + length]
        (crc,) = struct.unpack(">I", data[position + 8 + length : position + 12 + length])
        assert zlib.crc32(name + content) == crc
        found.append((name, content))
        position += 12 + length
    return found


def test_png_bytes_follow_the_standard(rgb, tmp_path):
    export.save_picture(rgb, tmp_path / "picture")
    data = (tmp_path / "picture.png").read_bytes()
    assert data[:8].hex() == "89504e470d0a1a0a"  # PNG (ISO 15948) section 5.2
    assert data[-4:].hex() == "ae426082"  # CRC of IEND
    chunks = png_chunks(data)
    assert [name for name, _ in chunks if name != b"IDAT"] == [b"IHDR", b"gAMA", b"cHRM", b"iCCP", b"IEND"]
    assert struct.unpack(">IIBBBBB", chunks[0][1]) == (131, 150, 16, 2, 0, 0, 0)
    assert struct.unpack(">I", chunks[1][1]) == (45455,)  # PNG section 11.3.3.5


def test_png_keeps_all_sixteen_bits(rgb, tmp_path):
    export.save_picture(rgb, tmp_path / "picture")
    data = (tmp_path / "picture.png").read_bytes()
    raw = zlib.decompress(b"".join(content for name, content in png_chunks(data) if name == b"IDAT"))
    rows = np.frombuffer(raw, dtype=np.uint8).reshape(150, 131 * 6 + 1)
    assert (rows[:, 0] == 2).all()
    plain = np.cumsum(rows[:, 1:], axis=0, dtype=np.uint64).astype(np.uint8)  # filter 2: add the row above
    values = plain.reshape(150, 131, 3, 2).astype(int) @ np.array([256, 1])
    np.testing.assert_array_equal(values, np.rint(rgb * np.float32(65535)))


def test_png_opens_in_pillow_with_its_high_bytes(rgb, tmp_path):
    # Pillow reads 16-bit RGB as its high bytes
    export.save_picture(rgb, tmp_path / "picture")
    with Image.open(tmp_path / "picture.png") as image:
        assert image.size == (131, 150)
        np.testing.assert_array_equal(np.asarray(image), np.rint(rgb * np.float32(65535)).astype(int) >> 8)
        profile = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
    assert "sRGB" in ImageCms.getProfileDescription(profile)


def test_tiff_is_sixteen_bit_rgb_with_a_profile(rgb, tmp_path):
    export.save_picture(rgb, tmp_path / "picture")
    data = (tmp_path / "picture.tif").read_bytes()
    assert data[:4].hex() == "49492a00"  # TIFF 6.0, little-endian
    with tifffile.TiffFile(tmp_path / "picture.tif") as file:
        tags = file.pages[0].tags
        assert tags[258].value == (16, 16, 16)  # BitsPerSample
        assert tags[262].value == 2  # PhotometricInterpretation: RGB
        assert bytes(tags[34675].value) == export.srgb_profile()
        np.testing.assert_array_equal(file.asarray(), np.rint(rgb * np.float32(65535)))


def test_jpeg_is_close_and_carries_the_profile(tmp_path):
    y, x = np.mgrid[:64, :96] / 96
    smooth = np.stack([x, y, 1 - x], axis=-1).astype(np.float32)
    export.save_picture(smooth, tmp_path / "picture", 95)
    with Image.open(tmp_path / "picture.jpg") as image:
        assert image.info["icc_profile"] == export.srgb_profile()
        assert np.abs(np.asarray(image) / 255 - smooth).max() < 0.03


def test_pictures_of_ours_open_however_large(rgb, tmp_path, monkeypatch):
    """Pillow refuses files of more than twice this many pixels, as from a sensor of 61 Mpx with half its scale."""
    export.save_picture(rgb, tmp_path / "picture")
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", rgb.shape[0] * rgb.shape[1] // 4)
    for end in ("jpg", "png"):
        with pytest.raises(Image.DecompressionBombError):
            Image.open(tmp_path / f"picture.{end}")
        with export.own_picture(tmp_path / f"picture.{end}") as image:
            assert image.size == (131, 150)
            assert np.abs(np.asarray(image) / 255 - rgb).mean() < 0.05


def test_what_is_no_picture_is_told_as_files_that_cannot_be_read(tmp_path):
    for name in ("a.jpg", "a.png"):
        (tmp_path / name).write_text("letter")
        with pytest.raises(OSError, match=f"{name} is no picture"):
            export.own_picture(tmp_path / name)


def test_profile_header_is_that_of_an_srgb_display():
    # ICC.1:2010 section 7.2
    profile = export.srgb_profile()
    assert profile[36:40] == b"acsp"
    assert profile[12:24] == b"mntrRGB XYZ "
    assert struct.unpack(">I", profile[:4])[0] == len(profile)
    assert profile == export.srgb_profile()


def test_equal_pixels_give_equal_bytes(rgb, tmp_path):
    first = [path.read_bytes() for path in export.save_picture(rgb, tmp_path / "a")]
    assert first == [path.read_bytes() for path in export.save_picture(rgb, tmp_path / "b")]
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "a.jpg",
        "a.png",
        "a.tif",
        "b.jpg",
        "b.png",
        "b.tif",
    ]


def test_outside_values_are_clipped_and_nan_is_black(tmp_path):
    values = np.array([[[-1.0, 0.5, 7.0], [np.nan, 1.0, 0.0]]], dtype=np.float32)
    export.save_picture(values, tmp_path / "p")
    stored = tifffile.imread(tmp_path / "p.tif")
    np.testing.assert_array_equal(stored[0], [[0, 32768, 65535], [0, 65535, 0]])


def test_a_missing_folder_is_one_clear_line(rgb, tmp_path):
    with pytest.raises(OutputError, match="cannot be written"):
        export.save_picture(rgb, tmp_path / "nowhere" / "picture")


def test_only_three_channels_are_a_picture(tmp_path):
    with pytest.raises(ValueError, match="a picture is"):
        export.save_picture(np.zeros((4, 4), dtype=np.float32), tmp_path / "p")
