"""The search for frames: what is found, what is set aside, what is assumed."""

from __future__ import annotations

import gzip
import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits as reference

from fits_images import put
from fourlight.errors import InputError
from fourlight.frames import Role
from fourlight.io.scan import scan
from fourlight.recipe_read import Read

REAL = Path(__file__).parents[1] / "authorities" / "real_pair"


def test_the_real_pair() -> None:
    """Facts from its README and header: site, exposures, ISO; local noon there is 22:22 UTC."""
    found = scan([REAL])
    assert [frame.path.name for frame in found.frames] == ["solved.fits.fz", "unsolved.fits"]
    assert found.set_aside == found.notes == ()
    for frame in found.frames:
        assert (frame.role, frame.role_source, frame.night) == (Role.LIGHT, "pixels", "2016-09-08")
        assert (frame.mosaic, frame.mosaic_source, frame.filter_name) == ("RGGB", "FILTER", None)
        assert (frame.exposure_s, frame.gain_setting, frame.gain_e_per_adu) == (120.4, 100.0, None)
        assert (frame.latitude_deg, frame.longitude_deg) == (19.54, pytest.approx(-155.58))
        assert (frame.ny, frame.nx, frame.saturation_adu) == (700, 700, 65535.0)
    assert found.frames[1].time == datetime(2016, 9, 9, 8, 12, 26, tzinfo=UTC)
    assert found.frames[1].temperature_c == 11.0


def test_what_is_searched(tmp_path: Path, dng: Callable[..., Path]) -> None:
    names = ["a.fits", "b.FIT", "deep/er/c.fts", "d.fits.gz", "e.fit.gz"]
    for name in names:
        put(tmp_path / name, IMAGETYP="Light")
    os.rename(put(tmp_path / "f.fits"), tmp_path / "f.fits.fz")
    dng(tmp_path / "g.DNG", np.random.default_rng(0).integers(500, 900, (64, 96)).astype(np.uint16))
    for name in (".hidden.fits", ".hidden/h.fits", "notes.txt", "picture.jpg"):
        put(tmp_path / name) if name.endswith("fits") else (tmp_path / name).write_text("x")
    (tmp_path / "deep" / "loop").symlink_to(tmp_path, target_is_directory=True)
    found = scan([tmp_path, tmp_path / "deep", tmp_path / "a.fits", tmp_path / "deep" / ".." / "a.fits"])
    paths = [str(frame.path.resolve().relative_to(tmp_path)) for frame in found.frames]
    assert sorted(paths) == sorted([*names, "f.fits.fz", "g.DNG"])
    assert len(set(paths)) == len(paths)
    assert found.set_aside == ()


def test_order_does_not_depend_on_the_order_of_the_arguments(tmp_path: Path) -> None:
    for name in ("b/2.fits", "a/1.fits", "c/3.fits"):
        put(tmp_path / name)
    forward = scan([tmp_path / "a", tmp_path / "b", tmp_path / "c"])
    backward = scan([tmp_path / "c", tmp_path / "b", tmp_path / "a"])
    assert [frame.path for frame in forward.frames] == [frame.path for frame in backward.frames]


def test_bad_files_are_set_aside_each_with_its_reason(tmp_path: Path, dng: Callable[..., Path]) -> None:
    good = put(tmp_path / "good.fits", IMAGETYP="Light", EXPTIME=10.0, DATE_OBS="2031-03-04T22:00:00")
    content = good.read_bytes()
    bad = {
        "text.fits": (b"no frame at all " * 400, "not a FITS file"),
        "zero.fits": (b"", "empty (zero bytes)"),
        "cut.fits": (content[:-5000], "cut short"),
        "cut.fits.gz": (gzip.compress(content)[:-3000], "cut short"),
        "jpeg.cr2": (b"\xff\xd8\xff\xe0JFIF" * 100, "not a camera raw file"),
        "zero.nef": (b"", "empty (zero bytes)"),
    }
    for name, (what, _) in bad.items():
        (tmp_path / name).write_bytes(what)
    images = {
        "constant.fits": (np.full((64, 64), 7, np.uint16), "all samples are 7"),
        "full.fits": (
            np.full((64, 64), 65535, np.uint16),
            "all samples are 65535, the highest value there is: over",
        ),
        "undefined.fits": (np.full((64, 64), np.nan, np.float32), "all samples are undefined"),
        "colour.fits": (np.ones((3, 64, 64), np.uint16), "already a colour image"),
        "empty.fits": (None, "no image of two dimensions"),
        "small.fits": (np.ones((8, 8), np.uint16), "only 8 x 8 pixels"),
    }
    for name, (image, _) in images.items():
        reference.PrimaryHDU(image).writeto(tmp_path / name)
    dng(tmp_path / "constant.dng", np.full((64, 64), 600, np.uint16))
    found = scan([tmp_path])
    assert [frame.path.name for frame in found.frames] == ["good.fits"]
    reasons = {item.path.name: item.reason for item in found.set_aside}
    wanted = {name: text for name, (_, text) in (bad | images).items()} | {
        "constant.dng": "all samples are 600"
    }
    assert set(reasons) == set(wanted)
    for name, text in wanted.items():
        assert text in reasons[name], name
        assert "\n" not in reasons[name]
    assert {item.stage for item in found.set_aside} == {"read"}


def test_a_frame_that_is_constant_in_part_only_is_kept(tmp_path: Path) -> None:
    image = np.zeros((400, 64), np.uint16)
    image[120, 3] = 9
    assert len(scan([put(tmp_path / "a.fits", image)]).frames) == 1


@contextmanager
def without_privileges() -> Iterator[None]:
    """Root may read everything, so root's tests go on as the user who owns nothing (65534 by Debian policy 9.2.2)."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


# Windows has no such mode bits; there the test below, with errors made up, stands alone.
@pytest.mark.skipif(os.name != "posix", reason="mode bits are of POSIX")
def test_permission_denied() -> None:
    with tempfile.TemporaryDirectory() as place:  # the folders of pytest are closed to others
        folder = Path(place)
        folder.chmod(0o755)
        put(folder / "a.fits").chmod(0)
        put(folder / "locked" / "b.fits").parent.chmod(0)
        put(folder / "c.fits").chmod(0o644)
        with without_privileges():
            found = scan([folder])
        (folder / "locked").chmod(0o700)
    assert [frame.path.name for frame in found.frames] == ["c.fits"]
    reasons = {item.path.name: item.reason for item in found.set_aside}
    assert "denied" in reasons["a.fits"]
    assert "folder cannot be read" in reasons["locked"]


def test_denied_reads_are_reasons_whoever_runs_the_tests(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(tmp_path / "a.fits")
    put(tmp_path / "b.fits")
    opened = Path.open

    def refused(self: Path, *args: Any, **kwargs: Any) -> Any:
        if self.name == "a.fits":
            raise PermissionError(13, "Permission denied")
        return opened(self, *args, **kwargs)

    monkeypatch.setattr(Path, "open", refused)
    found = scan([tmp_path])
    assert [(item.path.name, item.reason) for item in found.set_aside] == [
        ("a.fits", "permission to read the file is denied")
    ]
    assert [frame.path.name for frame in found.frames] == ["b.fits"]


def test_nothing_to_read(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("x")
    with pytest.raises(InputError, match="no raw frame found"):
        scan([tmp_path])
    with pytest.raises(InputError, match=r"gone: no such file or folder"):
        scan([tmp_path / "gone"])
    with pytest.raises(InputError, match="no raw frame found"):
        scan([])


def test_a_folder_without_frames_beside_others_is_told(tmp_path: Path) -> None:
    put(tmp_path / "night" / "a.fits")
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / "letter.txt").write_text("no frame")
    put(tmp_path / "out" / "b.fits")
    (tmp_path / "out" / ".fourlight").touch()
    found = scan([tmp_path / "night", tmp_path / "empty", tmp_path / "out", tmp_path / "empty"])
    assert [frame.path.name for frame in found.frames] == ["a.fits"]
    assert found.notes[:2] == (
        f"{tmp_path / 'empty'}: holds no raw frame; see that it is the folder that was meant.",
        f"{tmp_path / 'out'}: holds results; see that it is the folder that was meant.",
    )
    assert not any("meant" in note for note in scan([tmp_path / "night"]).notes)


def test_a_named_file_of_an_unknown_kind_is_looked_at(tmp_path: Path) -> None:
    os.rename(put(tmp_path / "a.fits"), tmp_path / "frame.dat")
    assert len(scan([tmp_path / "frame.dat"]).frames) == 1


def test_roles_and_their_sources(tmp_path: Path) -> None:
    put(tmp_path / "n1" / "x" / "a.fits", IMAGETYP="Dark Frame")
    put(tmp_path / "n1" / "flats" / "b.fits")
    put(tmp_path / "n1" / "x" / "bias_003.fits")
    put(tmp_path / "n1" / "x" / "d.fits", EXPTIME=60.0)
    found = {frame.path.name: frame for frame in scan([tmp_path]).frames}
    assert {name: (frame.role.value, frame.role_source) for name, frame in found.items()} == {
        "a.fits": ("dark", "header"),
        "b.fits": ("flat", "folder"),
        "bias_003.fits": ("bias", "file name"),
        "d.fits": ("dark", "pixels"),
    }
    assert any("neither header nor name" in problem for problem in found["d.fits"].problems)


def test_the_recipe_outranks_the_header(tmp_path: Path) -> None:
    cards = {"EGAIN": 1.0, "SATURATE": 60000, "SITELAT": 0.5, "SITELONG": 0.0}
    path = put(tmp_path / "a.fits", DATE_OBS="2031-03-05T01:00:00", **cards)
    plain = scan([path]).frames[0]
    assert (plain.gain_e_per_adu, plain.saturation_adu, plain.night) == (1.0, 60000.0, "2031-03-04")
    told = scan(
        [path],
        Read(gain_e_per_adu=0.5, read_noise_e=2.0, black_adu=100, saturation_adu=4000, longitude_deg=170),
    ).frames[0]
    levels = (told.black_adu, told.saturation_adu)
    assert (told.gain_e_per_adu, told.read_noise_e, levels) == (0.5, 2, (100, 4000))
    assert told.night == "2031-03-05"


def test_dates_missing_and_in_names(tmp_path: Path) -> None:
    for name in ("a.fits", "b_20310304.fits", "c_20310305T010203.fits"):
        put(tmp_path / name, IMAGETYP="Light", EXPTIME=1.0, SITELAT=0.5, SITELONG=10.0)
    put(tmp_path / "d.fits", IMAGETYP="Light", EXPTIME=1.0, DATE_OBS="2031-03-04")
    frames = scan([tmp_path]).frames
    assert [frame.night for frame in frames] == [None, "2031-03-04", "2031-03-04", "2031-03-04"]
    assert [frame.time is None for frame in frames] == [True, True, False, True]
    assert [frame.zone_known for frame in frames] == [True, True, False, True]
    for frame, text in zip(
        frames, ("no date that can", "the date is that of", "(as UTC) are those of", "no time"), strict=True
    ):
        assert any(text in problem for problem in frame.problems), frame.path.name


def test_camera_raw_facts(tmp_path: Path, dng: Callable[..., Path]) -> None:
    image = np.random.default_rng(0).integers(500, 900, (64, 96)).astype(np.uint16)
    (tmp_path / "lights").mkdir()
    exif = {36867: (2, b"2031:03:04 22:10:11\0")}
    dng(tmp_path / "lights" / "a.dng", image, "GRBG", black=(512,) * 4, white=16000, exif=exif)
    (frame,) = scan([tmp_path]).frames
    assert (frame.role, frame.role_source, frame.mosaic, frame.mosaic_source) == (
        Role.LIGHT,
        "folder",
        "GRBG",
        "camera raw",
    )
    assert (frame.black_adu, frame.saturation_adu, frame.camera, frame.hdu) == (512.0, 16000.0, "One", 0)
    assert frame.time == datetime(2031, 3, 4, 22, 10, 11, tzinfo=UTC)
    assert any("time zone" in problem for problem in frame.problems)
    assert not frame.zone_known


def test_garbage_cards_do_not_cost_the_frame(tmp_path: Path) -> None:
    path = put(tmp_path / "a.fits", IMAGETYP="Light", EXPTIME=12.0)
    content = path.read_bytes()
    garbage = b"BAD CARD\xff\xfe = = '" + b"\x00" * 20
    content = content.replace(b"END".ljust(80) + b" " * 80, garbage.ljust(80) + b"END".ljust(80), 1)
    path.write_bytes(content)
    (frame,) = scan([path]).frames
    assert (frame.role, frame.exposure_s) == (Role.LIGHT, 12.0)


def test_odd_things_under_a_frame_name(tmp_path: Path) -> None:
    """A pipe must not block the search; links that lead nowhere, or to themselves, are named."""
    put(tmp_path / "good.fits")
    os.mkfifo(tmp_path / "pipe.fits")
    (tmp_path / "gone.fits").symlink_to(tmp_path / "nowhere")
    (tmp_path / "self.fits").symlink_to(tmp_path / "self.fits")
    (tmp_path / "folder.fits").mkdir()
    found = scan([tmp_path])
    assert [frame.path.name for frame in found.frames] == ["good.fits"]
    assert sorted(item.path.name for item in found.set_aside) == ["gone.fits", "pipe.fits", "self.fits"]


def test_undefined_samples_in_every_looked_at_row(tmp_path: Path) -> None:
    image = np.full((1000, 64), np.nan, np.float32)
    image[300:310] = np.random.default_rng(0).normal(100, 5, (10, 64))
    (frame,) = scan([put(tmp_path / "a.fits", image)]).frames
    assert frame.saturation_adu is None


def test_frames_are_not_touched(tmp_path: Path) -> None:
    path = put(tmp_path / "a.fits")
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    scan([tmp_path])
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert list(tmp_path.iterdir()) == [path]
