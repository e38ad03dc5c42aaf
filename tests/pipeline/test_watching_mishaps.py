"""What can come between while a night is watched: clocks, broken and missing subs, wrong folders, too little memory."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from astropy.io import fits

from fourlight.errors import InputError, RecipeError, StageError
from fourlight.io.scan import scan
from fourlight.pipeline.arrivals import Arrivals
from fourlight.pipeline.live_desk import Desk
from fourlight.pipeline.live_stack import LiveStack
from fourlight.pipeline.watch_files import Night
from fourlight.pipeline.watching import Ends, _Watch, watch
from fourlight.provenance import file_hash
from fourlight.recipe_read import Read
from watched_nights import HALF, Hours, Told, arriving, watched

pytestmark = pytest.mark.usefixtures("only_at_the_end")


def with_time(file: Path, target: Path, moment: str) -> None:
    """A copy whose header has another time."""
    with fits.open(file) as units:
        units[0].header["DATE-OBS"] = moment
        units.writeto(target)


def test_the_clock_of_the_camera_may_jump(lights: list[Path], tmp_path: Path) -> None:
    """Back by an hour after the sixth sub (the end of summer time), a day and an hour on after the ninth."""
    folder, changed = tmp_path / "arriving", tmp_path / "changed"
    changed.mkdir()
    begun = np.datetime64("2031-10-26T00:40:00")
    for k, file in enumerate(lights):
        shift = 0 if k < 6 else -3600 if k < 9 else 86400
        with_time(file, changed / file.name, str(begun + np.timedelta64(70 * k + shift, "s")))
    facts, told = watched(folder, tmp_path / "out", 12, arriving(folder, sorted(changed.iterdir())))
    times = np.array([row["time_s"] for row in facts["subs"]])
    assert (np.diff(times) > 0).all()
    assert times[5] == pytest.approx(350)
    assert times[-1] < 1500
    assert facts["gap_s"] == pytest.approx(70, abs=10)
    back, ahead = told.of("clock")
    assert "jumps back by 3" in back
    assert "jumps ahead by 9" in ahead


def test_subs_that_cannot_be_used_are_set_aside_with_the_reason(lights: list[Path], tmp_path: Path) -> None:
    folder = tmp_path / "arriving"
    dark, cut = tmp_path / "dark.fits", tmp_path / "cut.fits"
    with fits.open(lights[3]) as units:
        units[0].data[:] = 300 + (
            np.arange(units[0].data.size).reshape(units[0].data.shape) * 7919 % 13
        ).astype(np.uint16)
        units.writeto(dark)
    cut.write_bytes(lights[4].read_bytes()[:200_000])
    long = tmp_path / "long.fits"
    with fits.open(lights[5]) as units:
        units[0].header["EXPTIME"] = 120.0
        units.writeto(long)
    files = [*lights[:6], dark, *lights[6:8], cut, long, *lights[8:9]]
    hours = [lambda: None] * 30
    facts, told = watched(folder, tmp_path / "out", 12, [*arriving(folder, files), *hours])
    assert facts["used"] == 9
    reasons = {row["file"]: row["reason"] for row in facts["subs"] if row["status"] != "used"}
    assert reasons.keys() == {"dark.fits", "cut.fits", "long.fits"}
    assert "stars" in reasons["dark.fits"]
    assert "cut short" in reasons["cut.fits"] or "rows" in reasons["cut.fits"]
    assert "exposure 120 s instead of 60 s" in reasons["long.fits"]
    assert [text for text in told.of("waiting") if "cut.fits" in text]


def test_a_first_sub_of_another_field_does_not_hold_up_the_night(lights: list[Path], tmp_path: Path) -> None:
    folder, odd = tmp_path / "arriving", tmp_path / "odd.fits"
    with fits.open(lights[11]) as units:
        units[0].data = np.ascontiguousarray(np.roll(units[0].data[::-1, ::-1].T, 60, axis=0).T)
        rng = np.random.default_rng(1)
        units[0].data = rng.permuted(
            units[0].data.reshape(40, 8, 50, 8).swapaxes(1, 2).reshape(2000, 64), axis=0
        )
        units[0].data = units[0].data.reshape(40, 50, 8, 8).swapaxes(1, 2).reshape(320, 400).astype(np.uint16)
        units.writeto(odd)
    facts, _ = watched(folder, tmp_path / "out", 7, arriving(folder, [odd, *lights[:6]]))
    assert facts["used"] >= 5
    assert next(row for row in facts["subs"] if row["file"] == "odd.fits")["status"] == "set aside"


def test_a_first_sub_that_is_taken_away_leaves_the_stack(lights: list[Path], tmp_path: Path) -> None:
    folder = tmp_path / "arriving"
    events = [*arriving(folder, lights[:2]), (folder / lights[0].name).unlink, *arriving(folder, lights[2:8])]
    facts, told = watched(folder, tmp_path / "out", 8, events)
    assert facts["used"] == 7
    assert "first subs are looked at together" in facts["subs"][0]["reason"]
    assert told.of("gone")


def test_raw_frames_are_only_read(lights: list[Path], tmp_path: Path, untouched: Any) -> None:
    folder = tmp_path / "arriving"
    folder.mkdir()
    for file in lights[:3]:
        shutil.copy(file, folder)
    with untouched(folder):
        watched(folder, tmp_path / "out", 3)


def test_a_night_without_a_usable_sub_says_why(tmp_path: Path) -> None:
    with pytest.raises(StageError, match="without a sub that could be used"):
        watch(tmp_path, tmp_path.parent / f"{tmp_path.name}-out", HALF, ended=lambda: True)


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        watch(tmp_path / "nowhere", tmp_path / "out", HALF)


def test_too_little_memory_is_told_at_the_first_sub(
    lights: list[Path], tmp_path: Path, monkeypatch: Any
) -> None:
    from fourlight.pipeline import live_stack

    monkeypatch.setattr(live_stack, "live_bytes", lambda _shape: 3_000_000_000)
    folder = tmp_path / "arriving"
    with pytest.raises(RecipeError, match=r"a running stack of 200 x 160 px needs at least 3\.\d"):
        watched(folder, tmp_path / "out", 2, arriving(folder, lights[:2]))


def test_idle_and_hours_end_a_night(lights: list[Path], tmp_path: Path) -> None:
    for name, ends in (("idle", Ends(idle_min=2)), ("hours", Ends(hours=0.1))):
        folder, hours = tmp_path / name, Hours()
        folder.mkdir()
        shutil.copy(lights[0], folder)
        shutil.copy(lights[1], folder)
        facts = watch(folder, tmp_path / f"{name}-out", HALF, ends=ends, wait=hours.wait, clock=hours)
        assert facts["used"] == 2
        assert hours.now == pytest.approx(120 if name == "idle" else 360, abs=5)


@pytest.fixture
def sub(tmp_path: Path) -> Path:
    """A light that is only looked at."""
    unit = fits.PrimaryHDU(np.random.default_rng(8).integers(900, 1100, (64, 96)).astype(np.uint16))
    unit.header.update({"IMAGETYP": "Light", "EXPTIME": 60.0, "DATE-OBS": "2031-03-04T22:00:00"})
    (tmp_path / "arriving").mkdir()
    unit.writeto(tmp_path / "arriving" / "sub.fits")
    return tmp_path / "arriving" / "sub.fits"


def looking(sub: Path) -> tuple[_Watch, Told]:
    """A watch that has taken a light, whose stack is only as much of one as is asked for it: its ground is complete."""
    hours, told = Hours(), Told()
    state, raw = sub.stat(), scan([sub]).frames[0]
    night = Night(str(sub.parent), "key")
    night.rows.append(
        {"path": str(sub), "file": sub.name, "status": "used", "sha256": file_hash(sub), "bytes": state.st_size,
         "mtime_ns": state.st_mtime_ns}
    )  # fmt: skip
    job = SimpleNamespace(hashes={sub: file_hash(sub)})
    stack = cast(LiveStack, SimpleNamespace(begun=True, first=[raw], job=job))
    arrivals, desk = Arrivals(sub.parent, Read(), hours), Desk(stack, night, told, hours)
    return _Watch(desk, arrivals, lambda: False, hours.wait, hours, Ends()), told


def test_a_sub_that_another_program_writes_cards_into_counts_once(sub: Path) -> None:
    watching, told = looking(sub)
    old = file_hash(sub)
    fits.setval(sub, "OBJECT", value="invented")
    watching._look(sub)
    (row,) = watching.rows
    assert told.of("changed") == [
        "sub.fits was written again; it counts once, and its light stays as it was taken"
    ]
    assert row["sha256"] == old
    assert row["mtime_ns"] == sub.stat().st_mtime_ns, "a watch that goes on does not look at it again"
    (first,) = watching.desk.stack.first
    assert first.object_name is None
    assert watching.desk.stack.job.hashes, "it is not measured anew"


@pytest.mark.parametrize(("stage", "taken"), [("read", 1), ("register", 0)])
def test_a_sub_whose_disk_is_back_is_looked_at_again(
    sub: Path, monkeypatch: pytest.MonkeyPatch, stage: str, taken: int
) -> None:
    """The same content: what could not be read may be used now, what was judged stays judged."""
    watching, _ = looking(sub)
    watching.rows[0] |= {"status": "set aside", "stage": stage, "epoch_s": None, "time_s": 0.0}
    took: list[str] = []
    monkeypatch.setattr(Desk, "take", lambda _self, _found, where: took.append(where["file"]))
    watching._look(sub)
    assert took == ["sub.fits"] * taken


def test_calibration_frames_that_come_during_the_night_do_not_stop_it(sub: Path, tmp_path: Path) -> None:
    """One sub that is never whole, so that no stack is made; then the same command again, as after a crash."""
    folder, darks = sub.parent, tmp_path / "darks"
    content = sub.read_bytes()

    def put(path: Path, seed: int) -> None:
        path.parent.mkdir(exist_ok=True)
        image = np.random.default_rng(seed).integers(900, 1100, (64, 96)).astype(np.uint16)
        fits.PrimaryHDU(image, fits.Header({"IMAGETYP": "Dark", "EXPTIME": 60.0})).writeto(path)

    def again(count: int) -> Told:
        told, hours = Told(), Hours()
        ends = Ends(subs=count, hours=1.0)
        with pytest.raises(StageError, match="without a sub that could be used"):
            watch(folder, tmp_path / "out", HALF, calibration=[darks], ends=ends, telling=told, wait=hours.wait,
                  clock=hours)  # fmt: skip
        return told

    put(darks / "first.fits", 1)
    put(folder / "second.fits", 2)
    sub.write_bytes(content[:4000])
    assert again(1).of("not used") == []
    kept = json.loads((tmp_path / "out" / "watch.json").read_text())["calibration"]
    assert kept == [str(folder / "second.fits"), str(darks / "first.fits")]
    put(darks / "late.fits", 3)
    put(folder / "later.fits", 4)
    (folder / "other.fits").write_bytes(content[:5000])
    told = again(2)
    assert told.of("not used") == ["late.fits: calibration frames that were there at the start count"]
    assert told.of("not a light") == ["later.fits is a dark; those count that are there at the start"]
    (darks / "first.fits").unlink()
    with pytest.raises(InputError, match=r"first\.fits: is gone, and is one of the calibration frames"):
        watch(folder, tmp_path / "out", HALF, calibration=[darks], ended=lambda: True)
    with pytest.raises(InputError, match="holds a watch with other settings or calibration frames"):
        watch(folder, tmp_path / "out", HALF, ended=lambda: True)
