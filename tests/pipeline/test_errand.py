"""Work for other processes: it travels, and says in one line why it cannot be done where it is."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from fourlight.errors import StageError
from fourlight.pipeline.errand import Errand
from fourlight.pipeline.integration import TileWork


def square(number: int) -> int:
    return number * number


def test_work_that_travelled_gives_the_same_result(tmp_path: Path) -> None:
    errand = Errand(square, (tmp_path,))
    assert pickle.loads(pickle.dumps(errand))(7) == errand(7) == 49


def test_a_place_that_does_not_see_the_frames_names_one(tmp_path: Path) -> None:
    errand = pickle.loads(pickle.dumps(Errand(square, (tmp_path, tmp_path / "light_7.fits"))))
    with pytest.raises(
        StageError, match=r"worker \d+ on .* does not see .*light_7\.fits; raw frames and OUT must"
    ):
        errand(7)
    (tmp_path / "light_7.fits").touch()
    assert errand(7) == 49
    assert "\n" not in str(StageError("cluster", None, "a", "b"))


def test_other_versions_are_refused(tmp_path: Path) -> None:
    """What another version computes may differ in the last bit."""
    errand = Errand(square, (tmp_path,))
    errand.versions["numpy"] = "1.0.1"
    with pytest.raises(
        StageError, match=r"has numpy .*, this computer 1\.0\.1; install the same versions on all"
    ):
        errand(7)


def test_a_place_is_looked_at_once_for_each_run(tmp_path: Path) -> None:
    frame = tmp_path / "light.fits"
    frame.touch()
    first = Errand(square, (frame,))
    assert first(2) == 4
    frame.unlink()
    assert first(3) == 9, "frames do not go while a run is under way; asking for each tile would take time"
    with pytest.raises(StageError, match="does not see"):
        Errand(square, (frame,))(3)


class AnyWay:
    """Opens anew whenever it is asked."""

    def of(self, _table: object, _told: object, _whole: object) -> list[str]:
        return []


def test_what_a_process_holds_open_is_for_one_run() -> None:
    """Another run of the same lights may have its masters in another folder, and those of the first may be gone."""

    def sent(work: TileWork) -> object:
        return pickle.loads(pickle.dumps(work))._opened_here()[1]

    first, second = (
        TileWork([], None, None, None, AnyWay())  # type: ignore[arg-type]
        for _ in range(2)
    )
    assert sent(first) is sent(first)
    assert sent(first) is not sent(second)
