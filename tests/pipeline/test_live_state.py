"""Files of a running stack never stand for another one, of as many subs."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from fields import raw_frame
from fourlight.pipeline import live_picture, live_state
from fourlight.pipeline.live_stack import LiveStack
from fourlight.stages.mosaic import MosaicDecision

ROWS = [{"sha256": f"{k}", "status": "used"} for k in range(5)]
OTHERS = [*ROWS[:4], {"sha256": "another", "status": "used"}]


def stack_of(rows: list[dict[str, Any]]) -> LiveStack:
    """As much of a stack as is written down of it; files say which lights they are of."""
    raws = [raw_frame(row["sha256"], (60, 80)) for row in rows]
    frames = [SimpleNamespace(measured=SimpleNamespace(raw=raw)) for raw in raws]
    sums = SimpleNamespace(
        frames=5, claim=1.0, pixfrac=2.0, used=np.full(4, 9), rejected=np.zeros(4, int), planes=None, tiles=[],
        shape=(60, 80), save=lambda path: path.write_text("".join(row["sha256"] for row in rows)),
    )  # fmt: skip
    ground = SimpleNamespace(
        frames=frames, mosaic=MosaicDecision("RGGB", "", None, None, ""), reference=frames[0].measured, sampling=[],
        calibration=None,
    )  # fmt: skip
    job = SimpleNamespace(folder=SimpleNamespace(layers=Path("layers")))
    return cast(LiveStack, SimpleNamespace(begun=True, count=5, sums=sums, ground=ground, job=job, threads=1))


@pytest.fixture(autouse=True)
def _named_files(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live_state, "calibration_facts", lambda _: {})
    monkeypatch.setattr(live_state.cache, "save", lambda place, frame: place.write_text(frame.raw.path.name))


def test_a_new_ground_of_as_many_subs_takes_the_place_of_the_old_one(tmp_path: Path) -> None:
    """As after a state that could not be read: its lights were looked at again, and one was another."""
    for rows in (ROWS, OTHERS):
        live_state.save(stack_of(rows), rows, tmp_path)
        (place,) = (path for path in tmp_path.iterdir() if path.is_dir())
        assert [(place / f"{k}.npz").read_text() for k in range(5)] == [row["sha256"] for row in rows]
        assert (place / "sums.bin").read_text() == "".join(row["sha256"] for row in rows)
        assert live_state.load_rows(tmp_path) == rows


def test_what_was_there_before_counts_until_all_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    live_state.save(stack_of(ROWS), ROWS, tmp_path)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}

    def killed(_: Path) -> None:
        raise InterruptedError

    monkeypatch.setattr(live_state, "whole", killed)
    with pytest.raises(InterruptedError):
        live_state.save(stack_of(OTHERS), OTHERS, tmp_path)
    assert {path: path.read_bytes() for path in before} == before


def test_layers_of_other_subs_are_not_taken_for_those_of_now(monkeypatch: pytest.MonkeyPatch) -> None:
    keys = []

    def made(*words: Any) -> None:
        keys.append(words[4])
        raise InterruptedError

    monkeypatch.setattr(live_picture, "integrate_tiles", made)
    counted = stack_of(ROWS)
    assert counted.sums is not None
    counted.sums.used[0] += 1
    late = {"sha256": "late", "status": "set aside"}
    nights = [
        (stack_of(ROWS), ROWS),
        (stack_of(ROWS), OTHERS),
        (counted, ROWS),
        (stack_of(ROWS), [*ROWS, late]),
    ]
    for stack, rows in nights:
        with pytest.raises(InterruptedError):
            live_picture.shown(stack, rows)
    assert keys[0] == keys[3]
    assert len(set(keys)) == 3
