"""The page on what-ifs: its table says what it claims. Its commands run in tests/test_docs.py."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

PAGE = (Path(__file__).parents[1] / "docs" / "whatif.md").read_text("utf-8")


def test_the_table_holds_the_two_per_cent_that_were_asked_for() -> None:
    (body,) = re.findall(r"<!-- whatif: table -->\n(.*?)<!-- whatif: end -->", PAGE, flags=re.S)
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")] for line in body.splitlines() if line.startswith("| ")
    ][1:]  # fmt: skip
    assert len(rows) == 8
    worst = [0.0] * 3
    for row in rows[:-2]:
        for k, cell in enumerate(row[1:]):
            ratios = [float(value) for value in cell.split(",")]
            assert len(ratios) == 3
            worst[k] = max(worst[k], *(abs(ratio - 1) for ratio in ratios))
    told = [float(value) for value in re.findall(r"(\d+\.\d) %", body.partition("Largest departure")[2])]
    assert told == pytest.approx([100 * value for value in worst], abs=0.06)
    # how much light there is rests on the sky that was, known to 0.1 electron: behind narrow bands it had three
    assert worst[0] < 0.04
    assert max(worst[1:]) < 0.02
