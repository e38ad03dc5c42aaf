"""Lines of a simulated night against what was simulated, as the benchmark measures them on larger ones."""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest

BENCHMARKS = str(Path(__file__).parents[2] / "benchmarks")


@pytest.mark.slow
def test_noise_is_near_the_bound_and_that_of_the_claim(monkeypatch, tmp_path):
    """Blocks of 8 pixels: 1500 of them, known to 2 %; the stack itself may be 1.1 of the bound for twenty lights."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    lines = importlib.import_module("lines")
    text = lines.scene(64_501, "disc", "dual-7nm", 20.0, width=500, height=400, stars=140, count=20)
    rows = lines.noise_rows("a night", text, "dual-7nm", tmp_path)
    for row in rows:
        _, line, bound, claim, _ = (cell.strip() for cell in row.strip("|").split("|"))
        assert line in ("Hα", "[OIII]")
        assert 0.93 < float(bound.split("/")[1]) < 1.15
        assert float(claim.split("/")[1]) == pytest.approx(1.0, abs=0.07)
