"""Long runs of one value: rows, ends of rows and blocks, against what noise and clipping give by chance."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.blank import constant_rows, filled_ends, filled_parts, runs


def noisy(level: float, sigma: float, shape: tuple[int, int] = (60, 128)) -> np.ndarray:
    """Whole numbers about a level, never below 0, as a digitiser gives them."""
    values = np.random.default_rng(7).normal(level, sigma, shape)
    return np.clip(np.rint(values), 0, 65535).astype(np.float32)


def test_rows_of_one_value_undefined_samples_passed_over() -> None:
    rows = noisy(500, 9)
    rows[3], rows[4, 1:] = 0, 0
    rows[5] = np.nan
    rows[6], rows[6, :64] = 700, np.nan
    found = constant_rows(rows)
    assert np.flatnonzero(np.isfinite(found)).tolist() == [3, 6]
    assert found[[3, 6]].tolist() == [0, 700]


def test_runs_against_a_plain_loop() -> None:
    values = np.random.default_rng(3).choice([0.0, 5.0, np.nan], 200).astype(np.float32)
    slow: list[tuple[int, int, float]] = []
    for y, value in enumerate(values.tolist()):
        if slow and slow[-1][1] == y and slow[-1][2] == value:
            slow[-1] = (slow[-1][0], y + 1, value)
        elif np.isfinite(value):
            slow.append((y, y + 1, value))
    assert runs(values) == slow
    assert runs(np.float32([])) == []


def test_the_row_in_which_a_transfer_stopped() -> None:
    row = noisy(500, 9)[0]
    assert not filled_ends(row, 0)
    row[100:] = 0
    assert filled_ends(row, 0)
    assert filled_ends(row[::-1], 0)
    assert not filled_ends(row, 5)


@pytest.mark.parametrize(
    ("rows", "share"),
    [
        (noisy(500, 9), 0),
        (noisy(64, 0.3), 0),  # read noise below one step: most samples are 64
        (noisy(0, 1.5), 0),  # no light, and no offset: half of the samples are 0
        (np.minimum(noisy(500, 9), 480), 0),  # full samples
        (noisy(1, 0), 0),
    ],
)
def test_long_runs_that_sensors_give(rows: np.ndarray, share: float) -> None:
    assert filled_parts(rows)[0] == share


def test_a_missing_block_is_measured() -> None:
    rows = noisy(500, 9)
    rows[10:40, 64:] = 3
    assert filled_parts(rows) == (0.25, 3.0)
