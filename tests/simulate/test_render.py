from __future__ import annotations

import hashlib
import json
import shutil
import warnings
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from fourlight.errors import OutputError
from fourlight.simulate import folder, render
from fourlight.simulate.scene import loads

SMALL = """
seed = 5
[camera]
width_px = 120
height_px = 90
mosaic = "GBRG"
[stars]
count = 12
[calibration]
darks = 1
flats = 1
bias = 1
[[nights]]
count = 3
flip_after = 2
rotation_deg = 2.0
trail_share = 0.4
[[nights]]
count = 1
start_utc = "2031-08-16T23:30:00"
moon_phase_deg = 40.0
"""


def digest(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("sim") / "small"
    render.simulate(loads(SMALL), out)
    return out


def test_files_that_are_there(made: Path) -> None:
    assert sorted(digest(made)) == [
        "README.txt",
        "bias/bias_0001.fits",
        "darks/dark_0001.fits",
        "flats/flat_0001.fits",
        "night1/light_0001.fits",
        "night1/light_0002.fits",
        "night1/light_0003.fits",
        "night2/light_0001.fits",
        "truth/.fourlight",
        "truth/made.json",
        "truth/stars.csv",
        "truth/truth.fits",
        "truth/truth.json",
    ]


def test_same_seed_same_bytes_whatever_the_threads(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(render, "_workers", lambda scene: 1)
    render.simulate(loads(SMALL), tmp_path / "again")
    assert digest(tmp_path / "again") == digest(made)


def test_another_seed_gives_other_frames(made: Path, tmp_path: Path) -> None:
    render.simulate(loads(SMALL.replace("seed = 5", "seed = 6")), tmp_path / "other")
    mine, other = digest(made), digest(tmp_path / "other")
    assert all(mine[name] != other[name] for name in mine if not name.endswith(".fourlight"))


def test_frames_are_honest_fits(made: Path) -> None:
    path = made / "night1" / "light_0002.fits"
    with warnings.catch_warnings(), fits.open(path, checksum=True) as hdus:
        warnings.simplefilter("error")
        hdus.verify("exception")
        header, data = hdus[0].header, hdus[0].data
    assert (data.dtype, data.shape) == (np.dtype("uint16"), (90, 120))
    expected = {"IMAGETYP": "LIGHT", "EXPTIME": 180.0, "BAYERPAT": "GBRG", "EGAIN": 0.8, "CCD-TEMP": -10.0}
    assert {name: header[name] for name in expected} == expected
    # Second light: 180 s of exposure and 8 s of pause after the first.
    assert header["DATE-OBS"] == "2031-08-14T23:33:08.000"
    assert fits.getheader(made / "darks" / "dark_0001.fits")["IMAGETYP"] == "DARK"


def test_truth_is_marked_and_complete(made: Path) -> None:
    with fits.open(made / "truth" / "truth.fits", checksum=True) as hdus:
        assert hdus[0].header["IMAGETYP"] == "TRUTH"
        names = [hdu.name for hdu in hdus[1:]]
        shapes = {hdu.data.shape for hdu in hdus[1:]}
    planes = [plane + end for end in ("", "_STARS", "_SHARP") for plane in ("R", "G1", "G2", "B")]
    assert names == [*planes, "SENSITIVITY"]
    assert shapes == {(90, 120)}
    frames = json.loads((made / "truth" / "truth.json").read_text())["frames"]
    assert [frame["file"] for frame in frames][-1] == "night2/light_0001.fits"
    assert sum(bool(frame["trails"]) for frame in frames) == 1


def test_the_same_scene_is_never_written_twice_and_nothing_else_taken(made: Path, tmp_path: Path) -> None:
    before = digest(made)
    times = {path: path.stat().st_mtime_ns for path in made.rglob("*")}
    assert render.simulate(loads(SMALL), made) is False
    assert digest(made) == before
    assert {path: path.stat().st_mtime_ns for path in made.rglob("*")} == times
    with pytest.raises(OutputError, match="something other"):
        render.simulate(loads(SMALL.replace("seed = 5", "seed = 9")), made)
    (tmp_path / "mine.txt").write_text("keep")
    with pytest.raises(OutputError, match="something other"):
        render.simulate(loads(SMALL), tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_output_that_is_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError):
        render.simulate(loads(SMALL), tmp_path / "file")


def test_progress_is_told(tmp_path: Path) -> None:
    told: list[tuple[str, int, int]] = []
    render.simulate(loads(SMALL), tmp_path / "x", lambda *what: told.append(what))
    assert told == [("frames", done, 7) for done in range(8)]


def test_a_stopped_simulation_goes_on_with_what_is_missing(made: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(made, copy)
    gone = [
        copy / "truth" / "made.json",
        copy / "night1" / "light_0002.fits",
        copy / "flats" / "flat_0001.fits",
    ]
    for path in gone:
        path.unlink()
    kept = {path: path.stat().st_mtime_ns for path in copy.rglob("*_0*.fits")}
    told: list[tuple[str, int, int]] = []
    assert render.simulate(loads(SMALL), copy, lambda *what: told.append(what)) is True
    assert told == [("frames", done, 2) for done in range(3)]
    assert digest(copy) == digest(made)
    assert {path: path.stat().st_mtime_ns for path in kept} == kept


def test_a_frame_that_was_changed_is_not_written_over(made: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(made, copy)
    frame = copy / "night1" / "light_0001.fits"
    frame.write_bytes(b"mine")
    with pytest.raises(OutputError, match=r"light_0001.fits: is not as it was simulated"):
        render.simulate(loads(SMALL), copy)
    assert frame.read_bytes() == b"mine"


def test_frames_of_another_version_are_left_alone(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(made, copy)
    monkeypatch.setattr(folder, "__version__", "99.0")
    with pytest.raises(OutputError, match="something other"):
        render.simulate(loads(SMALL), copy)
    assert digest(copy) == digest(made)
