"""Memory and room that a run is reckoned to take, where its frames differ in size or its sums are kept."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fields import frame_table, raw_frame, turned
from fourlight.errors import RecipeError
from fourlight.frames import Role
from fourlight.pipeline import integration, memory
from fourlight.pipeline.folder import OutputFolder
from fourlight.pipeline.space import CELL_BYTES, needed_bytes
from fourlight.recipe import Recipe, with_settings
from fourlight.stages.way import Way

SMALL = [raw_frame(f"small{k}.fits", (200, 160)) for k in range(3)]
LARGE = [raw_frame(f"large{k}.fits", (3000, 4000)) for k in range(9)]


def test_the_largest_lights_count_whichever_come_first(tmp_path: Path) -> None:
    folder = OutputFolder(tmp_path)
    mixed = needed_bytes([*SMALL, *LARGE], [], folder, Recipe())
    assert (
        needed_bytes(LARGE, [], folder, Recipe()) <= mixed < 1.02 * needed_bytes(LARGE, [], folder, Recipe())
    )
    flats = [
        replace(frame, role=Role.FLAT, path=Path(f"flat{frame.path.name}")) for frame in [*SMALL, *LARGE]
    ]
    more = needed_bytes([*SMALL, *LARGE], flats, folder, Recipe()) - mixed
    assert 2 * 4 * 12e6 <= more < 1.02 * 2 * 4 * 12e6, "a master and its response of the large ones"


def test_memory_is_reckoned_from_the_largest_lights_and_the_sums_that_are_kept() -> None:
    huge = [replace(frame, ny=9600, nx=6400) for frame in LARGE]
    little = with_settings(Recipe(), ["run.memory_gb=0.6"])
    memory.check_memory(little, [*SMALL, *LARGE])
    with pytest.raises(RecipeError, match=r"12 lights of up to 6400 x 9600 px need at least (0\.9|1\.0)"):
        memory.check_memory(little, [*SMALL, *huge])
    with pytest.raises(RecipeError, match="whose sums are kept"):
        memory.check_memory(with_settings(little, ["run.keep_sums=true"]), LARGE)


def test_tiles_whose_sums_are_kept_overlap_the_more_the_smaller_they_are(tmp_path: Path) -> None:
    """Cells of the tiles that stacks are cut into, 16 pixels more on each side: of lights up to a batch, of many."""
    folder, keep = OutputFolder(tmp_path), with_settings(Recipe(), ["run.keep_sums=true"])
    shape, way, padded = (3000, 4000), Way("least-squares", "", 1.0, ""), []
    for lights in (24, 2000):
        frames = [replace(LARGE[0], path=Path(f"{k}.fits")) for k in range(lights)]
        table = frame_table(np.array([turned(0, 1, (0, 0), (0, 0))] * lights), shape, noise=np.full(4, 5.0))
        cut, _ = integration._cut(replace(table, fwhm_px=np.full(4, 2.0)), way)
        padded.append(sum((tile.y1 - tile.y0 + 32) * (tile.x1 - tile.x0 + 32) for tile in cut))
        sums = needed_bytes(frames, [], folder, keep) - needed_bytes(frames, [], folder, Recipe())
        assert sums == pytest.approx(CELL_BYTES * padded[-1], rel=0.02)
    assert padded[1] > 1.05 * padded[0] > 1.2 * 12e6
