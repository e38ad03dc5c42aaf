"""Samples of frames, read in place or decoded once."""

from __future__ import annotations

import gzip
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits as reference

from fourlight.errors import FrameError, OutputError
from fourlight.frames import RawFrame, Role
from fourlight.io import fits
from fourlight.io.mapping import HeldPixels, MappedPixels
from fourlight.io.pixels import HELD_BYTES, PixelSource, held, open_pixels

REAL = Path(__file__).parents[1] / "authorities" / "real_pair"


def frame(path: Path) -> RawFrame:
    return RawFrame(path, 0, 64, 80, Role.LIGHT, "header")


def whole(source: PixelSource) -> np.ndarray:
    ny, nx = source.shape
    return source.read(0, ny, 0, nx)


@pytest.fixture
def image() -> np.ndarray:
    return np.random.default_rng(2).integers(0, 65536, (64, 80)).astype(np.uint16)


@pytest.fixture
def packed(tmp_path: Path, image: np.ndarray) -> Path:
    path = tmp_path / "a.fits.gz"
    reference.PrimaryHDU(image).writeto(path)
    return path


@pytest.mark.parametrize("decode_to_disk", [True, False])
@pytest.mark.parametrize("name", ["unsolved.fits", "solved.fits.fz"])
def test_the_real_pair_agrees_with_astropy(tmp_path: Path, name: str, decode_to_disk: bool) -> None:
    truth = np.asarray(reference.getdata(REAL / name)).astype(np.float32)
    source = open_pixels(frame(REAL / name), tmp_path / "decoded" if decode_to_disk else None)
    assert source.shape == (700, 700)
    np.testing.assert_array_equal(whole(source), truth)
    np.testing.assert_array_equal(source.read(301, 304, 11, 699), truth[301:304, 11:699])
    assert source.read(5, 5, 0, 10).shape == (0, 10)
    assert (tmp_path / "decoded").exists() is (decode_to_disk and name.endswith("fz"))


@pytest.mark.parametrize("dtype", ["uint16", "float32"])
@pytest.mark.parametrize("end", ["fits", "fits.gz"])
def test_a_held_frame_outlives_its_file(tmp_path: Path, image: np.ndarray, dtype: str, end: str) -> None:
    path, truth = tmp_path / f"a.{end}", image.astype(dtype) + np.array(0.25, dtype)
    reference.PrimaryHDU(truth).writeto(path)
    source = held(replace(frame(path), blank_rows=((60, 64),)))
    path.unlink()
    np.testing.assert_array_equal(source.read(0, 60, 3, 80), truth[:60, 3:])
    assert np.isnan(source.read(60, 64, 0, 80)).all()
    assert isinstance(inner := source.whole, HeldPixels)  # type: ignore[attr-defined]
    assert inner.samples.nbytes <= HELD_BYTES * image.size
    with pytest.raises(FrameError):
        held(frame(path))


def test_decoded_once_and_again_when_the_file_changes(
    tmp_path: Path, packed: Path, image: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[Path] = []
    decode = fits.rows
    monkeypatch.setattr(
        fits, "rows", lambda found, y0, y1: (calls.append(found.path), decode(found, y0, y1))[1]
    )
    folder = tmp_path / "decoded"
    for _ in range(3):
        source = open_pixels(frame(packed), folder)
        np.testing.assert_array_equal(whole(source), image)
    assert len(calls) == 1
    (stored,) = folder.iterdir()
    assert np.load(stored).dtype == np.uint16
    reference.PrimaryHDU(image // 2).writeto(packed, overwrite=True)
    os.utime(packed, ns=(1, 1))
    np.testing.assert_array_equal(whole(open_pixels(frame(packed), folder)), image // 2)
    assert len(calls) == 2


def test_equal_names_in_two_folders_do_not_mix(tmp_path: Path, image: np.ndarray) -> None:
    for number in (1, 2):
        (tmp_path / f"n{number}").mkdir()
        reference.PrimaryHDU(image // number).writeto(tmp_path / f"n{number}" / "a.fits.gz")
    for number in (1, 2):
        source = open_pixels(frame(tmp_path / f"n{number}" / "a.fits.gz"), tmp_path / "decoded")
        np.testing.assert_array_equal(whole(source), image // number)


def test_floats_stay_floats(tmp_path: Path) -> None:
    values = np.random.default_rng(1).normal(size=(40, 40)).astype(np.float32)
    values[3, 4] = np.nan
    path = tmp_path / "a.fits.gz"
    reference.PrimaryHDU(values).writeto(path)
    np.testing.assert_array_equal(whole(open_pixels(frame(path), tmp_path / "decoded")), values)
    whole_numbers = tmp_path / "b.fits.gz"
    reference.PrimaryHDU(np.full((40, 40), 12.0)).writeto(whole_numbers)
    open_pixels(frame(whole_numbers), tmp_path / "decoded")
    kinds = {item.name[0]: np.load(item).dtype for item in (tmp_path / "decoded").iterdir()}
    assert kinds == {"a": np.float32, "b": np.uint16}


def test_camera_raw(tmp_path: Path, dng: Callable[..., Path], image: np.ndarray) -> None:
    path = dng(tmp_path / "a.dng", image, white=65535)
    on_disk, held = open_pixels(frame(path), tmp_path / "decoded"), open_pixels(frame(path), None)
    assert isinstance(on_disk, MappedPixels)
    assert isinstance(held, HeldPixels)
    np.testing.assert_array_equal(whole(on_disk), image)
    np.testing.assert_array_equal(whole(held), image)
    assert whole(held).dtype == np.float32


def test_raw_files_stay_untouched(packed: Path, tmp_path: Path) -> None:
    before = (packed.read_bytes(), packed.stat().st_mtime_ns)
    open_pixels(frame(packed), tmp_path / "decoded")
    assert (packed.read_bytes(), packed.stat().st_mtime_ns) == before
    assert sorted(item.name for item in tmp_path.iterdir()) == ["a.fits.gz", "decoded"]


def test_trouble(tmp_path: Path, packed: Path, image: np.ndarray) -> None:
    with pytest.raises(FrameError, match="No such file"):
        open_pixels(frame(tmp_path / "gone.fits"), None)
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    with pytest.raises(OutputError, match="cannot be written"):
        open_pixels(frame(packed), blocked / "decoded")
    content = gzip.decompress(packed.read_bytes())
    damaged = tmp_path / "d.fits.gz"
    damaged.write_bytes(gzip.compress(content)[:-2000] + b"\0" * 2000)
    with pytest.raises(FrameError, match=r"damaged|cut short"):
        open_pixels(frame(damaged), tmp_path / "decoded")
    assert not list(tmp_path.glob("decoded/*"))


@pytest.mark.parametrize("step", [1, 2, 3, 8, 100])
@pytest.mark.parametrize("rows", [(0, 64), (5, 61), (9, 10), (30, 30)])
def test_rows_in_steps_are_those_of_the_whole(
    tmp_path: Path, image: np.ndarray, step: int, rows: tuple[int, int]
) -> None:
    path = tmp_path / "a.fits"
    reference.PrimaryHDU(image).writeto(path)
    blank = replace(frame(path), blank_rows=((3, 12), (17, 18), (50, 64)))
    expected = image.astype(np.float32)
    for source in (HeldPixels(expected), open_pixels(frame(path), None)):
        np.testing.assert_array_equal(
            source.read(*rows, 7, 70, step), expected[rows[0] : rows[1] : step, 7:70]
        )
    for y0, y1 in blank.blank_rows:
        expected[y0:y1] = np.nan
    found = open_pixels(blank, None).read(*rows, 7, 70, step)
    np.testing.assert_array_equal(found, expected[rows[0] : rows[1] : step, 7:70])


@pytest.mark.parametrize("dtype", [">i2", ">u2", "<i2", "<u2"])
@pytest.mark.parametrize("zero", [0.0, 32768.0, -5.0])
def test_words_are_read_as_numpy_reads_them(tmp_path: Path, dtype: str, zero: float) -> None:
    stored = np.random.default_rng(3).integers(0, 65536, (40, 50)).astype(np.uint16).view(dtype)
    path = tmp_path / "words"
    path.write_bytes(b"head" + stored.tobytes())
    source = MappedPixels(path, 4, np.dtype(dtype), (40, 50), 1.0, zero)
    expected = (stored.astype(np.float64) + zero).astype(np.float32)
    np.testing.assert_array_equal(whole(source), expected)
    np.testing.assert_array_equal(source.read(3, 30, 5, 49, 4), expected[3:30:4, 5:49])
    for other in (replace(source, scale=2.0), replace(source, zero=0.5), replace(source, blank=7)):
        truth = stored.astype(np.float64) * other.scale + other.zero
        truth[stored == other.blank] = np.nan
        np.testing.assert_array_equal(whole(other), truth.astype(np.float32))
