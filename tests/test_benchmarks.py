"""Benchmarks say what they ask for, and leave nothing of the program changed."""

import importlib
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from fourlight.stages import geometry
from fourlight.stages.claim_file import shipped

BENCHMARKS = str(Path(__file__).parents[1] / "benchmarks")


@pytest.mark.parametrize(("second", "reached"), [(1.0, "yes"), (1.03, "no"), (0.9, "yes")])
def test_a_table_accepts_what_it_says_it_wants(monkeypatch, second, reached):
    """Processor time per light where there are four times as many lights."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    tables = importlib.import_module("speed_tables")
    cost = {
        count: {"peak_bytes": 1e9, "cpu_s": each * count, "memory": "own"}
        for count, each in ((24, 1.0), (96, second))
    }
    row = tables._memory({str(count): found for count, found in cost.items()})[-1]
    what, wanted, _, said, _ = (cell.strip() for cell in row.strip("|").split("|"))
    assert what == "processor time per light, 96 over 24 lights"
    assert (wanted, said) == ("<= 1", reached)


def test_tiles_have_their_size_again_where_a_benchmark_fails(monkeypatch):
    """The second stack, whose tiles are smaller, cannot be made."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    stars = importlib.import_module("limit_stars")
    usual, seen = geometry.TILE_BYTES, []

    @contextmanager
    def once(*_, **__):
        seen.append(geometry.TILE_BYTES)
        if len(seen) > 1:
            raise RuntimeError
        yield SimpleNamespace(plane=lambda _: np.ones((4, 4)))

    monkeypatch.setattr(geometry, "TILE_BYTES", usual)  # whatever happens, other tests have it
    monkeypatch.setattr(stars, "made", once)
    with pytest.raises(RuntimeError):
        next(stars.seams())
    assert seen == [usual, usual / 12]
    assert usual == geometry.TILE_BYTES


def test_every_shipped_claim_is_tried_on_lights_with_known_truth(monkeypatch):
    """With an effect that no run should miss, and with none that matters, in the largest plan of each case."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    trials = importlib.import_module("null_cases")
    cases = trials.cases()
    assert {claim.name for claim in shipped()} <= {case.claim.name for case in cases}
    told = {"supported": set(), "contradicted": set()}
    for case in cases:
        sky = trials.skies(case)[-1]
        for size, verdict in ((case.far, "supported"), (case.none, "contradicted")):
            found = trials.rates(case, sky, size, 4)
            assert getattr(found, {"supported": "contradicted", "contradicted": "supported"}[verdict]) == 0
            told[verdict] |= {case.claim.name} if getattr(found, verdict) >= 0.75 else set()
    assert {claim.name for claim in shipped()} <= told["supported"]
    assert len(told["contradicted"]) >= 6


def test_a_table_of_resolution_holds_what_was_found_against_the_true_or_the_limit(monkeypatch):
    """Rows with a reason are left out; detail finer than is claimed counts as found where the limit was."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    fineness = importlib.import_module("fineness")
    known = {"count": 10, "width": 2.0, "method": "drizzle", "grid": "1x", "half_bit": 0.1, "limit": 1 / 3}
    rows = [
        fineness.Row(**known, plane="R", found=0.19, low=0.18, high=0.2, true=0.2, reason=""),
        fineness.Row(**known, plane="G", found=1 / 3, low=1 / 3, high=1 / 3, true=0.4, reason=""),
        fineness.Row(
            **known, plane="B", found=np.nan, low=np.nan, high=np.nan, true=0.1, reason="not dithered"
        ),
    ]
    cells = [cell.strip() for cell in fineness.table(rows).splitlines()[-1].strip("|").split("|")]
    assert cells[4:] == ["0.200-0.400", "-2.5 %", "-5.0 %", "100 %", "1 of 2"]
