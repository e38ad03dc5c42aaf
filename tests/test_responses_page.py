"""The page on sensors and filters: its commands run, its tables say what the program does."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import numpy as np
import pytest

from fourlight.cli.app import build
from fourlight.core.spectra import LINES_NM
from fourlight.sensor.filters import FILTERS, Beam
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.mixing import mixing_matrix
from fourlight.sensor.sensors import names, sensor

PAGE = (Path(__file__).parents[1] / "docs" / "responses.md").read_text("utf-8")


def rows(head: str) -> list[list[str]]:
    """Cells of the table with a first heading."""
    (body,) = re.findall(rf"\| {head} \|[^\n]*\n\|[-|]+\n((?:\|[^\n]*\n)+)", PAGE)
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in body.splitlines()]


def test_commands_of_the_page_run(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (curves,) = re.findall(r"```csv\n(.*?)```", PAGE, flags=re.S)
    Path("mine.csv").write_text(curves, encoding="utf-8")
    lines = [
        line for block in re.findall(r"```sh\n(.*?)```", PAGE, flags=re.S) for line in block.splitlines()
    ]
    assert len(lines) >= 5
    for line in lines:
        words = shlex.split(line)
        assert words[0] == "fourlight"
        assert build(words[1:]) == 0, line
    assert {path.name for path in tmp_path.iterdir()} == {"mine.csv", "responses.png", "filter.png"}
    assert "each value may be off by 3 % (as given)" in capsys.readouterr().out


def test_the_table_of_cameras_is_what_the_program_says():
    found = rows("camera")
    assert {row[0] for row in found} == set(names())
    for name, *cells in found:
        mixing = mixing_matrix(LightPath(sensor(name), FILTERS["dual-7nm"]))
        values, modes = mixing.values, mixing.modes
        for cell, (one, other, column) in zip(cells, ((1, 0, 0), (2, 0, 0), (0, 1, 1)), strict=True):
            ratio = values[one, column] / values[other, column]
            relative = (
                modes[:, one, column] / values[one, column] - modes[:, other, column] / values[other, column]
            )
            assert cell == f"{ratio:.3f} +- {ratio * np.sqrt((relative**2).sum()):.3f}"


@pytest.mark.parametrize("row", rows("f-ratio"), ids=lambda row: f"f/{row[0]}")
def test_the_table_of_beams_is_what_the_program_says(row):
    beam = Beam(float(row[0]))
    told = [
        f"{float(FILTERS[name].at(LINES_NM[line], beam)):.2f}"
        for name in ("dual-3nm", "dual-7nm")
        for line in ("halpha", "oiii")
    ]
    assert row[1:] == told
