"""Running sums on the disk: whole or refused, and the same to the last bit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fourlight.stages.live_sums import ARRAYS, LiveSums, live_bytes


def filled(shape: tuple[int, int], seed: int) -> LiveSums:
    sums, rng = LiveSums(shape, 0.5, 2.0), np.random.default_rng(seed)
    for name in ARRAYS:
        array = getattr(sums, name)
        array[:] = rng.random(array.shape, dtype=np.float32)
    sums.rejected[:], sums.used[:] = [1, 2, 3, 4], [50, 60, 70, 80]
    return sums


def test_what_is_read_is_what_was_written(tmp_path: Path) -> None:
    sums, other = filled((30, 40), 1), LiveSums((30, 40), 0.5, 2.0)
    sums.save(tmp_path / "a.bin")
    other.load(tmp_path / "a.bin")
    for name in (*ARRAYS, "rejected", "used"):
        np.testing.assert_array_equal(getattr(other, name), getattr(sums, name))


@pytest.mark.parametrize("share", [0.0, 0.001, 0.5, 0.999])
def test_a_file_that_is_cut_is_refused(tmp_path: Path, share: float) -> None:
    filled((30, 40), 1).save(tmp_path / "a.bin")
    data = (tmp_path / "a.bin").read_bytes()
    (tmp_path / "a.bin").write_bytes(data[: int(share * len(data))])
    with pytest.raises((ValueError, OSError)):
        LiveSums((30, 40), 0.5, 2.0).load(tmp_path / "a.bin")


def test_sums_of_another_stack_are_refused(tmp_path: Path) -> None:
    filled((30, 40), 1).save(tmp_path / "a.bin")
    with pytest.raises(ValueError, match="another stack"):
        LiveSums((40, 30), 0.5, 2.0).load(tmp_path / "a.bin")


def test_nothing_has_no_noise_and_no_light() -> None:
    sums = filled((30, 40), 1)
    sums.clear()
    assert np.isnan(sums.variances()).all()
    layers = sums.planes(sums.tiles[0]).planes["G"].layers
    assert np.isnan(layers["value"]).all()
    assert not layers["samples"].any()


def test_memory_is_what_is_said() -> None:
    """By the sizes that numpy tells."""
    sums = LiveSums((50, 60), 0.5, 2.0)
    assert sum(getattr(sums, name).nbytes for name in ARRAYS) == live_bytes((50, 60))
