"""Lights whose measurements lie in files: the same numbers, and hardly any memory."""

import runpy
import tracemalloc
from dataclasses import fields as members
from dataclasses import replace
from pathlib import Path

import numpy as np

from fourlight.pipeline.off_memory import COLUMNS, ROWS, OffMemory

fields = runpy.run_path(str(Path(__file__).parents[1] / "fields.py"))


def light(count, seed, cells=(4, 9, 7)):
    rng = np.random.default_rng(seed)
    stars = fields["star_list"](*rng.uniform(0, 50, (2, count)), rng.uniform(1, 9, (count, 4)))
    level = rng.normal(100, 3, cells).astype(np.float32)
    level[0, 0, 0] = np.nan
    return replace(fields["measured_frame"](f"{seed}.fits", stars, (50, 60)), sky_map=level)


def test_numbers_are_the_same_and_lights_do_not_lie_on_each_other(tmp_path):
    lights = [light(count, seed) for seed, count in enumerate((0, 1, 9, 400, 33))]
    off_memory = OffMemory(tmp_path / "work")
    for one, back in zip(lights, [off_memory(one) for one in lights], strict=True):
        np.testing.assert_array_equal(back.sky_map, one.sky_map)
        assert back.sky_map.dtype == np.float32
        for member in members(one.stars):
            old, new = (getattr(each.stars, member.name) for each in (one, back))
            np.testing.assert_array_equal(new, old)
            assert new.dtype == old.dtype


def test_lights_take_hardly_any_memory(tmp_path):
    """Three files of numbers, of which a fifteenth may be held; the limit is ours."""
    off_memory, kept, told = OffMemory(tmp_path), [], 0
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        while told < 3 * 4 * ROWS * COLUMNS:
            one = light(4000, 1, (4, 65, 97))
            told += (
                sum(getattr(one.stars, member.name).nbytes for member in members(one.stars))
                + one.sky_map.nbytes
            )
            kept.append(off_memory(one))
            del one
        held = tracemalloc.get_traced_memory()[0] - before
    finally:
        tracemalloc.stop()
    assert len(kept) > 50
    assert held < told / 15


def test_what_is_larger_than_a_file_stays_where_it_is(tmp_path):
    big = light(3, 1, (4, ROWS, COLUMNS // 2))
    np.testing.assert_array_equal(OffMemory(tmp_path)(big).sky_map, big.sky_map)
