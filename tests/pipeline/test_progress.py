"""Progress of the longest stage: it moves inside a tile, and ends at its total."""

from __future__ import annotations

from pathlib import Path

import pytest

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from plain_runs import PLAIN


class Counted:
    """Steps told of each stage, and how many were announced."""

    def __init__(self) -> None:
        self.total: dict[str, int] = {}
        self.done: dict[str, int] = {}
        self.stage = ""

    def begin(self, stage: str, total: int) -> None:
        self.stage = stage
        self.total[stage], self.done[stage] = total, 0

    def step(self, count: int = 1) -> None:
        self.done[self.stage] += count

    def end(self, summary: str) -> None:
        pass


@pytest.mark.parametrize(("method", "least"), [("least-squares", 20), ("drizzle", 4)])
def test_a_tile_is_told_in_parts(small_night: Path, tmp_path: Path, method: str, least: int) -> None:
    """The small night is a single tile; its least squares are 4 planes to set up and 5 to fit, with two halves."""
    recipe = with_settings(Recipe(), [*PLAIN, f"integrate.method={method}", "run.keep_work=true"])
    for told in (Counted(), Counted()):  # the second run finds the tile made
        run([small_night], tmp_path / "out", recipe, told)
        assert told.total["integrate"] >= least
        assert told.done["integrate"] == told.total["integrate"]
