"""Camera raw: DNG files made by the specification's tags come back through LibRaw sample by sample."""

from __future__ import annotations

import struct
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import tifffile

from fourlight.core.cfa import PATTERNS, cropped
from fourlight.errors import FrameError
from fourlight.io import camera_raw

Dng = Callable[..., Path]


@pytest.fixture
def mosaic() -> np.ndarray:
    return np.random.default_rng(4).integers(700, 9000, (120, 162)).astype(np.uint16)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_samples_and_pattern(dng: Dng, tmp_path: Path, mosaic: np.ndarray, pattern: str) -> None:
    facts, samples = camera_raw.read(dng(tmp_path / "a.dng", mosaic, pattern, black=(512,) * 4, white=15000))
    np.testing.assert_array_equal(samples, mosaic)
    assert samples.dtype == np.uint16
    assert (facts.mosaic, facts.black_adu, facts.saturation_adu) == (pattern, 512.0, 15000.0)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_black_levels_of_the_colours_are_made_equal(
    dng: Dng, tmp_path: Path, mosaic: np.ndarray, pattern: str
) -> None:
    """BlackLevel (50714) is stated per place of the cell; after reading one level holds for all."""
    facts, samples = camera_raw.read(dng(tmp_path / "a.dng", mosaic, pattern, black=(520, 516, 514, 512)))
    expected = mosaic.astype(int) - np.tile([[8, 4], [2, 0]], (60, 81))
    np.testing.assert_array_equal(samples, expected)
    assert (facts.black_adu, facts.saturation_adu) == (512.0, 16383.0 - 8)


def test_a_sample_below_the_difference_stays_at_zero(dng: Dng, tmp_path: Path, mosaic: np.ndarray) -> None:
    mosaic[0, 0] = 3
    _, samples = camera_raw.read(dng(tmp_path / "a.dng", mosaic, black=(520, 512, 512, 512)))
    assert samples[0, 0] == 0


@pytest.mark.parametrize("corner", [(2, 4), (3, 4), (2, 5), (3, 5)])
def test_active_area(dng: Dng, tmp_path: Path, mosaic: np.ndarray, corner: tuple[int, int]) -> None:
    """ActiveArea (50829): the pattern counts from its corner; whatever part comes back has the right phase."""
    path = dng(tmp_path / "a.dng", mosaic, "RGGB", active=(*corner, 118, 160))
    facts, samples = camera_raw.read(path)
    places = [
        (y, x)
        for y in range(6)
        for x in range(8)
        if np.array_equal(samples, mosaic[y : y + samples.shape[0], x : x + samples.shape[1]])
    ]
    assert len(places) == 1
    y, x = places[0]
    assert (y >= corner[0], x >= corner[1]) == (True, True)
    assert facts.mosaic == cropped("RGGB", y - corner[0], x - corner[1])


EXIF = {
    33434: (5, struct.pack("<II", 600, 10)),
    34855: (3, struct.pack("<H", 800)),
    36867: (2, b"2031:03:04 22:10:11\0"),
    37386: (5, struct.pack("<II", 4000, 10)),
}


def test_exif_facts(dng: Dng, tmp_path: Path, mosaic: np.ndarray) -> None:
    """EXIF 2.3: ExposureTime 33434, ISO 34855, DateTimeOriginal 36867, FocalLength 37386."""
    facts, _ = camera_raw.read(dng(tmp_path / "a.dng", mosaic, exif=EXIF))
    assert (facts.exposure_s, facts.iso, facts.focal_mm) == (60.0, 800.0, 400.0)
    assert facts.time == datetime(2031, 3, 4, 22, 10, 11, tzinfo=UTC)
    assert not facts.zone_known
    assert facts.camera == "One"


@pytest.mark.parametrize(("offset", "hour"), [(b"+02:00\0", 20), (b"-03:30\0", 25)])
def test_offset_of_the_camera_clock(
    dng: Dng, tmp_path: Path, mosaic: np.ndarray, offset: bytes, hour: int
) -> None:
    """EXIF 2.31 OffsetTimeOriginal 36881."""
    facts, _ = camera_raw.read(dng(tmp_path / "a.dng", mosaic, exif=EXIF | {36881: (2, offset)}))
    minute = 10 if hour == 20 else 40
    assert facts.time == datetime(2031, 3, 4 + hour // 24, hour % 24, minute, 11, tzinfo=UTC)
    assert facts.zone_known


def test_a_file_without_exif_says_nothing(dng: Dng, tmp_path: Path, mosaic: np.ndarray) -> None:
    facts, _ = camera_raw.read(dng(tmp_path / "a.dng", mosaic))
    assert (facts.exposure_s, facts.iso, facts.focal_mm, facts.time) == (None, None, None, None)


@pytest.mark.parametrize("share", [0.0, 0.001, 0.5, 0.99])
def test_broken_files(dng: Dng, tmp_path: Path, mosaic: np.ndarray, share: float) -> None:
    path = dng(tmp_path / "a.dng", mosaic)
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * share)])
    needed = r"empty|(not a camera raw|cut short).*data end too early; copy it again"
    with pytest.raises(FrameError, match=needed) as caught:
        camera_raw.read(path)
    assert "Input/output" not in caught.value.reason, "that is the word for a faulty disk"


def test_a_picture_and_a_colour_raw_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    path.write_bytes(b"\xff\xd8\xff\xe0JFIF" * 100)
    with pytest.raises(FrameError, match="not a camera raw"):
        camera_raw.read(path)
    tags = [(50706, 1, 4, bytes((1, 4, 0, 0)), True), (50708, 2, 0, "Invented One", True)]
    tifffile.imwrite(path, np.ones((64, 64, 3), np.uint16), photometric=34892, extratags=tags, metadata=None)
    with pytest.raises(FrameError, match=r"already a colour image|not a camera raw"):
        camera_raw.read(path)
