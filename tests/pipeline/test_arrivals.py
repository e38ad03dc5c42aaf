"""Files as they come: half written, taken away, renamed, under clocks that jump."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from astropy.io import fits

from fourlight.frames import RawFrame, SetAside
from fourlight.pipeline.arrivals import PATIENCE_S, SETTLE_S, Arrivals, Pending
from fourlight.recipe_read import Read


class Clock:
    """Seconds that a test moves on."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def light(small_night: Path) -> Path:
    return sorted(small_night.glob("*.fits"))[0]


@pytest.fixture
def place(tmp_path: Path) -> Path:
    folder = tmp_path / "arriving"
    folder.mkdir()
    return folder


@pytest.fixture
def arrivals(place: Path, clock: Clock) -> Arrivals:
    return Arrivals(place, Read(), clock)


def settled(arrivals: Arrivals, clock: Clock) -> list[Path]:
    arrivals.poll()
    clock.now += SETTLE_S
    return arrivals.poll()


def test_a_file_is_taken_when_it_is_still(light: Path, place: Path, arrivals: Arrivals, clock: Clock) -> None:
    shutil.copy(light, place / "a.fits")
    assert arrivals.poll() == []
    clock.now += 0.9 * SETTLE_S
    assert arrivals.poll() == []
    clock.now += 0.1 * SETTLE_S
    assert arrivals.poll() == [place / "a.fits"]
    assert isinstance(arrivals.look(place / "a.fits"), RawFrame)
    assert settled(arrivals, clock) == []


def test_what_grows_is_waited_for(light: Path, place: Path, arrivals: Arrivals, clock: Clock) -> None:
    data = light.read_bytes()
    for share in (0.2, 0.5, 0.9):
        (place / "a.fits").write_bytes(data[: int(share * len(data))])
        assert arrivals.poll() == []
        clock.now += 0.8 * SETTLE_S
    (place / "a.fits").write_bytes(data)
    assert settled(arrivals, clock) == [place / "a.fits"]


@pytest.mark.parametrize("share", [0.001, 0.3, 0.97])
def test_a_transfer_that_rests_half_way_is_waited_for(
    light: Path, place: Path, arrivals: Arrivals, clock: Clock, share: float
) -> None:
    data = light.read_bytes()
    path = place / "a.fits"
    path.write_bytes(data[: int(share * len(data))])
    assert settled(arrivals, clock) == [path]
    assert isinstance(arrivals.look(path), Pending)
    clock.now += 0.5 * PATIENCE_S
    assert arrivals.poll() == []
    path.write_bytes(data)
    assert settled(arrivals, clock) == [path]
    frame = arrivals.look(path)
    assert isinstance(frame, RawFrame)
    assert not frame.blank_rows


def test_a_file_whose_room_was_taken_before_is_waited_for(
    light: Path, place: Path, arrivals: Arrivals, clock: Clock
) -> None:
    """Its size is whole from the start; the rest holds zeros."""
    data = light.read_bytes()
    half = int(0.7 * len(data))
    path = place / "a.fits"
    path.write_bytes(data[:half] + bytes(len(data) - half))
    settled(arrivals, clock)
    found = arrivals.look(path)
    assert isinstance(found, Pending)
    assert "rows have not come" in found.reason
    path.write_bytes(data)
    settled(arrivals, clock)
    assert isinstance(arrivals.look(path), RawFrame)


def test_patience_ends(light: Path, place: Path, arrivals: Arrivals, clock: Clock) -> None:
    """What never becomes whole is set aside, once; when it changes after all it is looked at again."""
    data, path = light.read_bytes(), place / "a.fits"
    path.write_bytes(data[: len(data) // 2])
    settled(arrivals, clock)
    assert isinstance(arrivals.look(path), Pending)
    clock.now += PATIENCE_S
    assert arrivals.poll() == [path]
    found = arrivals.look(path)
    assert isinstance(found, SetAside)
    assert "cut short" in found.reason
    clock.now += 10 * PATIENCE_S
    assert arrivals.poll() == []
    path.write_bytes(data)
    assert settled(arrivals, clock) == [path]
    assert isinstance(arrivals.look(path), RawFrame)


def test_a_file_that_goes_is_told_once(light: Path, place: Path, arrivals: Arrivals, clock: Clock) -> None:
    path = place / "a.fits"
    shutil.copy(light, path)
    settled(arrivals, clock)
    arrivals.look(path)
    path.unlink()
    arrivals.poll()
    assert arrivals.gone() == [path]
    arrivals.poll()
    assert arrivals.gone() == []


def test_a_file_that_goes_before_it_is_read_is_no_error(
    light: Path, place: Path, arrivals: Arrivals, clock: Clock
) -> None:
    shutil.copy(light, place / "a.fits")
    (path,) = settled(arrivals, clock)
    path.unlink()
    assert arrivals.look(path) is None
    assert arrivals.poll() == []
    assert arrivals.gone() == []


@pytest.mark.parametrize("date", [0, 2**31, 4_000_000_000])
def test_dates_of_files_may_be_anything(
    light: Path, place: Path, arrivals: Arrivals, clock: Clock, date: int
) -> None:
    """In 1970, in the future: only a change matters."""
    shutil.copy(light, place / "a.fits")
    os.utime(place / "a.fits", (date, date))
    assert settled(arrivals, clock) == [place / "a.fits"]


def test_other_files_are_left_alone(place: Path, arrivals: Arrivals, clock: Clock) -> None:
    (place / "notes.txt").write_text("dew again")
    (place / ".light.fits.tmp").write_bytes(b"SIMPLE")
    assert settled(arrivals, clock) == []
    assert arrivals.waited_for == 0


def test_a_night_keeps_its_name_over_noon_utc(
    light: Path, place: Path, arrivals: Arrivals, clock: Clock
) -> None:
    """Far east, without a longitude in the headers: noon is told by the first light, in the next watch too."""
    found = []
    for hour in (11, 13, 15):
        with fits.open(light) as units:
            for name in ("SITELAT", "SITELONG"):
                units[0].header.remove(name, ignore_missing=True)
            units[0].header["DATE-OBS"] = f"2031-03-05T{hour}:00:00"
            units.writeto(place / f"{hour}.fits")
        if hour == 15:
            arrivals = Arrivals(place, Read(), clock)
            arrivals.know([], found[0])
        frame = arrivals.look(place / f"{hour}.fits")
        assert isinstance(frame, RawFrame)
        found.append(frame)
    assert [frame.night for frame in found] == ["2031-03-04"] * 3
