"""The page on planning: its commands run with its files, its table is of twenty setups and its figure holds."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from fourlight.stages.plan_light import KINDS
from page_commands import blocks, run_line, shell_lines

PAGE = Path(__file__).parents[1] / "docs" / "planning.md"
TEXT = PAGE.read_text("utf-8")


@pytest.mark.usefixtures("no_settings")
def test_commands_of_the_page_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    for kind, name in (("toml", "sites.toml"), ("csv", "ledge.csv")):
        (text,) = blocks(PAGE, kind)
        Path(name).write_text(text, encoding="utf-8")
    lines = shell_lines(PAGE)
    assert len(lines) >= 6
    for line in lines:
        run_line(line)
    assert {path.name for path in tmp_path.iterdir()} == {
        "sites.toml", "ledge.csv", "night.png", "year.html", "sub.png",
    }  # fmt: skip
    assert "times in UTC-3" in capsys.readouterr().out


def test_kinds_of_the_page_are_those_of_the_program() -> None:
    (body,) = re.findall(r"\| kind \|[^\n]*\n\|[-|]+\n((?:\|[^\n]*\n)+)", TEXT)
    assert set(re.findall(r"`([a-z-]+)`", body)) == set(KINDS)
    for target in KINDS.values():
        for number in (target.mag_arcsec2, *target.rayleigh.values()):
            assert number is None or f"{number:g}" in body


def test_the_table_of_setups_says_what_it_claims() -> None:
    (body,) = re.findall(r"<!-- planning: table -->\n(.*?)<!-- planning: end -->", TEXT, flags=re.S)
    rows = [line for line in body.splitlines() if line.startswith("| ")][1:]
    assert len(rows) == 20
    ratios = [float(value) for row in rows for value in re.findall(r"(?:[a-z]+) (\d\.\d{3})", row)]
    assert len(ratios) >= 40
    assert max(abs(ratio - 1) for ratio in ratios) < 0.05
    (told,) = re.findall(r"Largest departure: (\d\.\d) %", body)
    assert float(told) == pytest.approx(100 * max(abs(ratio - 1) for ratio in ratios), abs=0.06)
