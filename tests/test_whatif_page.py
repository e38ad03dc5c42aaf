"""The page on what-ifs: its commands run, and its table says what it claims."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pytest

from fourlight.cli.app import build
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads

PAGE = (Path(__file__).parents[1] / "docs" / "whatif.md").read_text("utf-8")
SMALL = """
seed = 3
[object]
size = 0.6
[camera]
width_px = 240
height_px = 200
[stars]
count = 60
[calibration]
darks = 3
flats = 3
bias = 3
[[nights]]
count = 8
"""


@pytest.mark.slow
def test_commands_of_the_page_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    simulate(loads(SMALL), Path("demo/nights"))
    (block,) = re.findall(r"```sh\n(.*?)```", PAGE, flags=re.S)
    lines = [line for line in block.splitlines() if line.strip()]
    assert len(lines) >= 5
    for line in lines:
        words = shlex.split(line)
        assert words[0] == "fourlight"
        assert build(words[1:]) == 0, line
    told = {
        name: json.loads(Path("demo", name, "whatif.json").read_text())
        for name in ("suburb", "full-moon", "short-city", "no-green")
    }
    assert told["suburb"]["sky"]["is_mag"]["median"] == pytest.approx(19, abs=0.01)
    assert told["short-city"]["lights"]["asked"] == 6
    assert told["no-green"]["run"] is None


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
