"""Rows of added frames beside those that were summed before."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from astropy.io import fits

from fields import frame_table, raw_frame
from fourlight.io.scan import scan
from fourlight.pipeline.adding import with_past
from fourlight.pipeline.additions import Addition, added_to, way_on, why_not
from fourlight.pipeline.kept import Kept
from fourlight.pipeline.kinds import _added
from fourlight.provenance import Provenance
from fourlight.recipe import Recipe
from fourlight.recipe_read import Read
from fourlight.stages.way import Way

SHAPE = (60, 80)


def kept_and_now(now_merit: list[float], **moved: Any) -> tuple[Kept, Any, list[Any]]:
    """Sums of three frames, the table of these and two more, and all frames."""
    raw = [raw_frame(f"{k}.fits", SHAPE) for k in range(5)]
    matrices = np.repeat(np.array([[[1.0, 0, 0], [0, 1, 0]]]), 5, axis=0)
    table = frame_table(matrices, SHAPE, noise=np.full(4, 5.0), level=100.0)
    merit = np.repeat(np.array(now_merit)[:, None], 4, axis=1)
    now = replace(table, merit=merit, weight=table.weight * merit)
    old = table.rows([0, 1, 2])
    merit = np.repeat(np.array([[1.0], [0.5], [0.8]]), 4, axis=1)
    old = replace(old, merit=merit, weight=old.weight * merit, **moved)
    kept = SimpleNamespace(table=old, lights=tuple(frame.path for frame in raw[:3]))
    return cast(Kept, kept), now, raw


@pytest.mark.parametrize("sharper", [1.0, 0.25])
def test_added_frames_have_merit_on_the_scale_of_the_earlier_ones(sharper: float) -> None:
    """A new frame four times as good: it counts four times as much as the best earlier one, whose row stays."""
    kept, now, raw = kept_and_now([sharper, 0.5 * sharper, 0.8 * sharper, 1.0, 0.5])
    found = added_to(kept, now, raw)
    assert isinstance(found, Addition)
    np.testing.assert_allclose(found.table.merit[:, 0], [1, 0.5, 0.8, 1 / sharper, 0.5 / sharper])
    np.testing.assert_allclose(
        found.table.weight[3] / found.table.weight[0], now.weight[3] / now.weight[0], rtol=1e-12
    )
    assert found.new == [3, 4]
    assert sorted(found.table.half[3:]) == [0, 1]


def test_light_that_is_measured_otherwise_is_told() -> None:
    kept, now, raw = kept_and_now([1, 1, 1, 1, 1], scale=np.full((3, 4), 1.004))
    assert "light of the earlier ones is measured otherwise" in str(added_to(kept, now, raw))


@pytest.mark.parametrize(
    ("nights", "name"),
    [
        ([None], "added lights"),
        (["2031-08-15", "2031-08-15"], "added lights of 2031-08-15"),
        (["2031-08-18", "2031-08-15", None], "added lights of 2031-08-15 to 2031-08-18"),
    ],
)
def test_added_lights_are_called_by_their_nights(nights: list[str | None], name: str) -> None:
    assert _added([raw_frame(f"{k}.fits", SHAPE, night=night) for k, night in enumerate(nights)]) == name


@pytest.mark.parametrize(
    ("before", "now", "again"), [(1.25, 1.0, True), (1.0, 0.6, False), (1.25, 1.25, False)]
)
def test_drops_that_blur_are_not_kept_where_smaller_ones_do(before: float, now: float, again: bool) -> None:
    kept, table, _ = kept_and_now([1, 1, 1, 1, 1])
    kept = cast(Kept, SimpleNamespace(table=kept.table, way=Way("drizzle", "", before, "")))
    assert ("blur less" in why_not(kept, Way("drizzle", "", now, ""), table)) == again


@pytest.mark.parametrize(
    ("before_px", "now_px", "cells"), [(2.45, 2.55, 3), (2.55, 2.45, None), (2.45, 2.4, 3), (2.6, 2.55, 2)]
)
def test_sums_are_fine_enough_or_are_made_anew(before_px: float, now_px: float, cells: int | None) -> None:
    """Stars under 2.5 px ask for three cells along a pixel, broader ones for two, which finer sums do for."""
    kept, table, _ = kept_and_now([1, 1, 1, 1, 1], fwhm_px=np.full(4, before_px))
    way = Way("least-squares", "", 1.0, "")
    kept = cast(Kept, SimpleNamespace(table=kept.table, way=way))
    table = replace(table, fwhm_px=np.full(4, now_px))
    assert ("finer sums" in why_not(kept, way, table)) == (cells is None)
    if cells:
        on = way_on(kept, way)
        assert on.of(table).fine == cells
        # and so it stays, night by night, though the table is that of broad stars then
        later = cast(Kept, SimpleNamespace(table=table, way=on))
        assert not why_not(later, way, replace(table, fwhm_px=np.full(4, before_px)))
        assert way_on(later, way).of(table).fine == cells


@pytest.mark.parametrize("longitude", [None, 130.0])
def test_a_night_that_is_added_to_has_one_name(tmp_path: Path, longitude: float | None) -> None:
    """Far east, no longitude in the headers: 10:00 to 11:30 UTC in the first run, 12:00 to 18:45 in the second."""
    image = np.random.default_rng(8).integers(900, 1100, (64, 96)).astype(np.uint16)
    for name, hours in (("first", [10.0, 10.75, 11.5]), ("second", list(np.arange(12.0, 19.0, 0.75)))):
        (tmp_path / name).mkdir()
        for hour in hours:
            unit = fits.PrimaryHDU(image)
            clock = f"{int(hour):02d}:{int(hour % 1 * 60):02d}:00"
            unit.header.update({"IMAGETYP": "Light", "EXPTIME": 60.0, "DATE-OBS": f"2031-03-05T{clock}"})
            unit.writeto(tmp_path / name / f"{clock.replace(':', '')}.fits")
    read = Read(longitude_deg=longitude)
    before, found = scan([tmp_path / "first"], read), scan([tmp_path / "second"], read)
    inputs = {frame.path: "" for frame in before.frames}
    past = Provenance(inputs, (tmp_path / "first",), Recipe(read=read))
    together = with_past(found, past)
    assert len(together.frames) == 13
    assert {frame.night for frame in together.frames} == {"2031-03-05"}
    assert len(together.notes) == (longitude is None)
    assert all(
        note.startswith("13 of 13 frames state no longitude: noon is taken at 02:22 UTC")
        for note in together.notes
    )
