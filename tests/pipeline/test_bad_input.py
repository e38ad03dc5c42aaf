"""Bad frames are set aside by name with the reason, the night goes on, and raw folders stay untouched."""

from __future__ import annotations

import csv
import gzip
import json
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from bad_frames import as_mono, put
from plain_runs import PLAINLY


def one_of_each(raw: Path) -> dict[str, str]:
    """Bad frames of every kind beside the good ones; what the reason of each must say."""
    good = raw / "light_0001.fits"
    image = fits.getdata(good)
    content = good.read_bytes()
    shape = image.shape
    (raw / "text.fits").write_text("no frame " * 900)
    (raw / "cut.fits").write_bytes(content[: len(content) // 2])
    (raw / "empty.fits").write_bytes(b"")
    (raw / "cut.fits.gz").write_bytes(gzip.compress(content)[:40000])
    (raw / "copy.fits").write_bytes(content)
    (raw / "dead link.fits").symlink_to(raw / "nowhere.fits")
    put(raw / "nan.fits", good, np.full(shape, np.nan, np.float32))
    put(raw / "constant.fits", good, np.full(shape, 700, np.uint16))
    put(raw / "full.fits", good, np.full(shape, 65535, np.uint16))
    put(raw / "half.fits", good, np.where(np.arange(shape[0])[:, None] < 60, image, 0).astype(np.uint16))
    put(raw / "colour.fits", good, np.stack([image] * 3))
    put(raw / "mono.fits", good, as_mono(image, 9))
    put(raw / "silent.fits", good, as_mono(image, 8), BAYERPAT=None, ROWORDER=None)
    put(raw / "size.fits", good, image[:120, :200])
    put(raw / "camera.fits", good, INSTRUME="another camera")
    put(raw / "mirrored.fits", good, image[::-1], BAYERPAT="GBRG")
    put(raw / "clouded.fits", good, np.random.default_rng(1).normal(800, 20, shape).astype(np.uint16))
    return {
        "text.fits": "not a FITS file",
        "cut.fits": "cut short",
        "empty.fits": "zero bytes",
        "cut.fits.gz": "cut short",
        "copy.fits": "a copy of",
        "dead link.fits": "No such file",
        "nan.fits": "NaN",
        "constant.fits": "all samples are 700",
        "full.fits": "all samples are 65535",
        "half.fits": "rows 60-179 of 180 hold one value only (0), 67 % of it: the transfer was cut",
        "colour.fits": "already a colour image",
        "mono.fits": "no mosaic shows in its stars and sky",
        "silent.fits": "no mosaic shows in its stars and sky",
        "size.fits": "size 200 x 120 instead of 240 x 180",
        "camera.fits": "camera another camera instead of",
        "mirrored.fits": "mosaic GBRG instead of RGGB",
        "clouded.fits": "stars found",
    }


def test_bad_frames_are_set_aside_and_the_night_goes_on(
    command: Any, raw: Path, tmp_path: Path, untouched: Any
) -> None:
    expected = one_of_each(raw)
    out = tmp_path / "out"
    with untouched(raw):
        done = command("run", raw, "--out", out, *PLAINLY)
    assert done.code == 0, done.err
    assert "Traceback" not in done.err
    summary = json.loads((out / "summary.json").read_text())
    reasons = {item["file"]: item["reason"] for item in summary["set_aside"]}
    used = {frame["file"] for frame in summary["frames"]}
    copies = {"copy.fits", "light_0001.fits"}
    assert used | copies == {f"light_000{n}.fits" for n in range(1, 5)} | copies
    assert len(used & copies) == 1, "the same exposure counts once"
    spare = (copies - used).pop()
    expected[spare] = expected.pop("copy.fits")
    assert reasons.keys() == expected.keys()
    for name, reason in reasons.items():
        assert expected[name] in reason, name
    with (out / "frames.csv").open(newline="", encoding="utf-8") as file:
        rows = {row["file"]: row for row in csv.DictReader(file)}
    assert rows.keys() == used | reasons.keys()
    assert all(rows[name]["status"].startswith("set aside") for name in reasons)
    assert all(rows[name]["reason"] == reason for name, reason in reasons.items())
    page = (out / "report.html").read_text(encoding="utf-8")
    assert all(name in page for name in reasons)
    seen = json.loads(command("inspect", raw, "--json").out)
    foreseen = {Path(item["path"]).name: item["reason"] for item in seen["set_aside"]}
    foreseen |= {Path(f["path"]).name: f["problems"][-1] for f in seen["frames"] if f["problems"]}
    early = {
        item["file"]: item["reason"] for item in summary["set_aside"] if item["stage"] in ("read", "select")
    }
    assert early
    assert {name: foreseen.get(name) for name in early} == early, "inspect says beforehand what the run does"
    assert seen["refused"] is None


def test_a_frame_in_part_undefined_is_used(command: Any, raw: Path, tmp_path: Path) -> None:
    """Undefined samples (NaN, infinite) weigh nothing; the rest of the frame counts. No date is a flag."""
    image = fits.getdata(raw / "light_0001.fits").astype(np.float32)
    image[:60], image[100, 100], image[101, 120] = np.nan, np.inf, -np.inf
    put(raw / "part.fits", raw / "light_0001.fits", image)
    put(raw / "undated.fits", raw / "light_0002.fits", DATE_OBS=None)
    (raw / "light_0001.fits").unlink()
    (raw / "light_0002.fits").unlink()
    assert command("run", raw, "--out", tmp_path / "out", *PLAINLY).code == 0
    frames = json.loads((tmp_path / "out" / "summary.json").read_text())["frames"]
    flags = {frame["file"]: frame["flags"] for frame in frames}
    assert flags.keys() == {"part.fits", "undated.fits", "light_0003.fits", "light_0004.fits"}
    assert "no date" in flags["undated.fits"]
    assert "no date" not in flags["part.fits"]
    with fits.open(tmp_path / "out" / "stack.fits") as hdus:
        assert np.isfinite(hdus["G"].data).mean() > 0.97


@pytest.fixture
def ordinary_user(tmp_path: Path) -> Iterator[None]:
    """Lay down the rights of root for a while, where the tests run with them."""
    if os.name != "posix":
        pytest.skip("needs POSIX permissions")
    if os.geteuid() != 0:
        yield
        return
    modes = {path: path.stat().st_mode for path in (tmp_path, *tmp_path.parents)}
    modes = {path: mode for path, mode in modes.items() if not mode & stat.S_IXOTH}
    for path in modes:
        path.chmod(0o755)
    os.seteuid(65534)
    yield
    os.seteuid(0)
    for path, mode in modes.items():
        path.chmod(mode)


def test_folders_without_permission_are_named(
    command: Any, raw: Path, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    locked, shut, hidden = raw / "locked", tmp_path / "shut", raw / "light_0003.fits"
    for folder in (locked, shut):
        folder.mkdir()
    (raw / "light_0004.fits").rename(locked / "light_0004.fits")
    assert command("inspect", raw).code == 0  # whatever is imported late is there now
    for path, mode in ((shut, 0o555), (locked, 0o000), (hidden, 0o000)):
        path.chmod(mode)
    request.getfixturevalue("ordinary_user")
    listed = command("inspect", raw, "--json")
    refused = command("run", raw, "--out", shut)
    below = command("run", raw, "--out", shut / "out")
    nothing = command("run", locked, "--out", tmp_path / "out")
    assert listed.code == 0
    found = json.loads(listed.out)
    assert len(found["frames"]) == 2
    reasons = {Path(item["path"]).name: item["reason"] for item in found["set_aside"]}
    assert reasons == {
        "locked": "the folder cannot be read: Permission denied",
        "light_0003.fits": "permission to read the file is denied",
    }
    for done in (refused, below):
        assert done.code == 2
        assert "Permission denied" in done.line
        assert "permissions" in done.line
        assert "space" not in done.line
    assert nothing.code == 2
    assert "Permission denied" in nothing.line


def test_one_exposure_in_two_files_counts_once(command: Any, raw: Path, tmp_path: Path) -> None:
    # packed beside unpacked, and with a remark more in the header: other bytes, the same light
    packed = raw / "light_0002.fits.gz"
    packed.write_bytes(gzip.compress((raw / "light_0002.fits").read_bytes()))
    with fits.open(raw / "light_0003.fits") as file:
        file[0].header["COMMENT"] = "looked at"
        file.writeto(raw / "seen_0003.fits")
    done = command("run", raw, "--out", tmp_path / "out", *PLAINLY)
    assert done.code == 0, done.err
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert len(summary["frames"]) == 4
    assert len(summary["set_aside"]) == 2
    assert all("each exposure counts once" in item["reason"] for item in summary["set_aside"])


def test_a_frame_that_cannot_be_used_is_what_its_header_says(command: Any, raw: Path, tmp_path: Path) -> None:
    """Zeros under a header of a light, in files whose names speak of something else; and where only names speak."""
    good = raw / "light_0001.fits"
    zeros = np.zeros(fits.getdata(good).shape, np.uint16)
    put(raw / "zero_0001.fits", good, zeros)
    put(raw / "bias.fits", good, zeros, IMAGETYP="DARK")
    put(raw / "flat_0001.fits", good, zeros, IMAGETYP=None)
    (raw / "dark cut.fits.gz").write_bytes(gzip.compress(good.read_bytes())[:40000])
    (raw / "zero.fits").write_bytes(good.read_bytes()[:20000])
    (raw / "offset.fits").write_bytes(b"no frame")
    done = command("run", raw, "--out", tmp_path / "out", *PLAINLY)
    assert done.code == 0, done.err
    aside = json.loads((tmp_path / "out" / "summary.json").read_text())["set_aside"]
    assert {item["file"]: item["role"] for item in aside} == {
        "zero_0001.fits": "light",
        "bias.fits": "dark",
        "flat_0001.fits": "flat",
        "dark cut.fits.gz": "light",
        "zero.fits": "light",
        "offset.fits": "bias",
    }
    said = {item["file"]: item["reason"] for item in aside}
    assert all(
        said[name].startswith("all samples are 0")
        for name in ("zero_0001.fits", "bias.fits", "flat_0001.fits")
    )
    listed = json.loads(command("inspect", raw, "--json").out)["set_aside"]
    assert {Path(item["path"]).name: item["role"] for item in listed}["zero_0001.fits"] == "light"
