"""First subs of a night whose files are written again, by whatever program: rows and stack say the same afterwards."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from astropy.io import fits

from fields import raw_frame
from fourlight.frames import RawFrame, SetAside
from fourlight.pipeline.live_renewal import renew
from fourlight.pipeline.live_stack import LiveStack
from watched_nights import arriving, layers, watched

pytestmark = pytest.mark.usefixtures("without_charts")

COLLECTED = [lambda: None] * 25
"""Time enough for a file that is not whole to be given up."""


def carded(**cards: object) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        for name, value in cards.items():
            fits.setval(path, name, value=value)

    return write


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:200_000])


def cut_dark(path: Path) -> None:
    carded(IMAGETYP="Dark Frame")(path)
    cut(path)


@pytest.mark.parametrize(
    ("change", "stage", "reason"),
    [
        (carded(IMAGETYP="Dark Frame"), "select", "is a dark now"),
        (carded(EXPTIME=120.0), "select", "exposure 120 s instead of 60 s"),
        (cut_dark, "read", ""),
    ],
)
def test_a_first_sub_that_is_unfit_now_leaves_the_stack(
    lights: list[Path], tmp_path: Path, change: Callable[[Path], None], stage: str, reason: str
) -> None:
    """Those after it come as if it had never been there: five complete the ground, from nothing but them."""
    folder, name = tmp_path / "arriving", lights[0].name
    events = [
        *arriving(folder, lights[:3]), lambda: None, lambda: change(folder / name), *COLLECTED,
        *arriving(folder, lights[3:6]),
    ]  # fmt: skip
    facts, told = watched(folder, tmp_path / "out", 6, events)
    rows = {row["file"]: row for row in facts["subs"]}
    assert [rows[file.name]["status"] for file in lights[:6]] == ["set aside", *["used"] * 5]
    assert (rows[name]["stage"], reason in rows[name]["reason"]) == (stage, True)
    assert told.of("changed") == [f"{name} was written again; its light leaves the stack"]
    alone = tmp_path / "alone"
    watched(alone, tmp_path / "out-alone", 5, arriving(alone, lights[1:6]))
    np.testing.assert_array_equal(layers(tmp_path / "out")["R"], layers(tmp_path / "out-alone")["R"])


def test_a_first_sub_is_taken_as_it_is_now_though_no_other_comes(lights: list[Path], tmp_path: Path) -> None:
    """The night ends with it: rows and stack are those of a night that never saw another file."""
    folder, name = tmp_path / "arriving", lights[0].name

    def other() -> None:
        shutil.copy(lights[1], folder / name)

    events = [*arriving(folder, lights[:1]), lambda: None, other]
    facts, told = watched(folder, tmp_path / "out", 9, events)
    assert told.of("changed") == [
        f"{name} was written again; it counts once, and its light is taken as it is now, with the other first ones"
    ]
    fresh, _ = watched(folder, tmp_path / "out-fresh", 1)
    (mine,), (other_row,) = facts["subs"], fresh["subs"]
    for fact in ("sha256", "sky", "fwhm_px", "stars", "time", "epoch_s", "status"):
        assert mine[fact] == other_row[fact]
    np.testing.assert_array_equal(layers(tmp_path / "out")["R"], layers(tmp_path / "out-fresh")["R"])


def test_a_first_sub_that_is_whole_again_is_taken_once(lights: list[Path], tmp_path: Path) -> None:
    folder, name = tmp_path / "arriving", lights[0].name
    events = [
        *arriving(folder, lights[:3]), lambda: None, lambda: cut(folder / name), *COLLECTED,
        *arriving(folder, lights[:1]),
    ]  # fmt: skip
    facts, _ = watched(folder, tmp_path / "out", 4, events)
    assert [row["status"] for row in facts["subs"]] == ["set aside", "used", "used", "used"]
    assert facts["used"] == 3


@pytest.mark.parametrize("whole", [True, False])
def test_nothing_is_laid_while_others_cannot_be_read(tmp_path: Path, whole: bool) -> None:
    """As where one program writes into all of them: the stack waits, and none is blamed for another."""
    raws = [raw_frame(f"{tmp_path}/{k}.fits", (60, 80)) for k in range(3)]
    for raw in raws:
        raw.path.touch()
    job = SimpleNamespace(hashes={raw.path: "old" for raw in raws}, set_aside=[])
    state = SimpleNamespace(
        begun=False, first=raws, strays=[], ground="old", sums=None, count=3, job=job,
        tried=lambda _: "2.fits: cannot be read",
    )  # fmt: skip
    found = raws[0] if whole else SetAside(raws[0].path, "read", "cut short")
    aside = renew(cast(LiveStack, state), found)
    assert aside == (() if whole else (found,))
    assert state.first == (raws if whole else raws[1:])
    assert (state.ground, state.count) == (None, 0)
    assert raws[0].path not in job.hashes


def test_a_first_sub_that_is_gone_does_not_hold_up_another(tmp_path: Path) -> None:
    raws = [raw_frame(f"{tmp_path}/{k}.fits", (60, 80)) for k in range(3)]
    for raw in raws[:2]:
        raw.path.touch()
    laid: list[list[RawFrame]] = []
    job = SimpleNamespace(hashes={}, set_aside=[])
    state = SimpleNamespace(
        begun=False, first=raws, strays=[], ground="old", sums=None, count=3, job=job,
        tried=lambda first: laid.append(first) or "",
    )  # fmt: skip
    aside = renew(cast(LiveStack, state), raws[0])
    assert laid == [raws[:2]]
    assert [item.path for item in aside or ()] == [raws[2].path]
