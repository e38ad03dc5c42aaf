"""The page on comparisons: its commands run with its files, its names, tables and figures are those of the program."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from fourlight.pipeline.setups import setup_names
from page_commands import blocks, run_line, shell_lines

DOCS = Path(__file__).parents[1] / "docs"
PAGE = DOCS / "compare.md"
TEXT = PAGE.read_text("utf-8")


@pytest.mark.slow
@pytest.mark.usefixtures("no_settings")
def test_commands_of_the_page_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    mine, wheel = blocks(PAGE, "toml")
    Path("mine.toml").write_text(mine, encoding="utf-8")
    Path("wheel.toml").write_text(wheel, encoding="utf-8")
    for kind, name in (("toml", "sites.toml"), ("csv", "ledge.csv")):
        (text,) = blocks(DOCS / "planning.md", kind)
        Path(name).write_text(text, encoding="utf-8")
    lines = shell_lines(PAGE)
    assert len(lines) == 4
    for line in lines:
        run_line(line)
    made = {path.name for path in tmp_path.iterdir() if path.suffix in (".html", ".png")}
    assert made == {"lines.html", "light.png", "light-pictures.png"}


def test_setups_of_the_page_are_those_that_come_along() -> None:
    (body,) = re.findall(r"\| name \|[^\n]*\n\|[-|]+\n((?:\|[^\n]*\n)+)", TEXT)
    assert set(re.findall(r"`([a-z-]+)`", body)) == set(setup_names())


def test_the_table_of_setups_says_what_it_claims() -> None:
    (body,) = re.findall(r"<!-- predicted: table -->\n(.*?)<!-- predicted: end -->", TEXT, flags=re.S)
    rows = [line for line in body.splitlines() if line.startswith("| ")][1:]
    assert len(rows) == 20
    ratios = [float(value) for row in rows for value in re.findall(r"(?:[a-z]+) (\d\.\d{3})", row)]
    assert len(ratios) >= 40
    assert max(abs(ratio - 1) for ratio in ratios) < 0.05
    (told, count) = re.findall(r"Largest departure: (\d\.\d) % of (\d+) values", body)[0]
    assert float(told) == pytest.approx(100 * max(abs(ratio - 1) for ratio in ratios), abs=0.06)
    assert int(count) == len(ratios)
    assert "mono" in body
    assert "colour" in body
