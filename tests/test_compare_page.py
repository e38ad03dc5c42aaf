"""The page on comparisons: its commands run with its files, its names, tables and figures are those of the program."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from fourlight.cli.app import build
from fourlight.pipeline.setups import setup_names

DOCS = Path(__file__).parents[1] / "docs"
PAGE = (DOCS / "compare.md").read_text("utf-8")


def blocks(kind: str) -> list[str]:
    return re.findall(rf"```{kind}\n(.*?)```", PAGE, flags=re.S)


@pytest.mark.slow
def test_commands_of_the_page_run(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path_factory.mktemp("settings")))
    mine, wheel = blocks("toml")
    Path("mine.toml").write_text(mine, encoding="utf-8")
    Path("wheel.toml").write_text(wheel, encoding="utf-8")
    planning = (DOCS / "planning.md").read_text("utf-8")
    for kind, name in (("toml", "sites.toml"), ("csv", "ledge.csv")):
        (text,) = re.findall(rf"```{kind}\n(.*?)```", planning, flags=re.S)
        Path(name).write_text(text, encoding="utf-8")
    (lines,) = blocks("sh")
    assert len(lines.splitlines()) == 4
    for line in lines.splitlines():
        words = shlex.split(line)
        assert words[0] == "fourlight"
        assert build(words[1:]) == 0, capsys.readouterr().err
    made = {path.name for path in tmp_path.iterdir() if path.suffix in (".html", ".png")}
    assert made == {"lines.html", "light.png", "light-pictures.png"}


def test_setups_of_the_page_are_those_that_come_along() -> None:
    (body,) = re.findall(r"\| name \|[^\n]*\n\|[-|]+\n((?:\|[^\n]*\n)+)", PAGE)
    assert set(re.findall(r"`([a-z-]+)`", body)) == set(setup_names())


def test_the_table_of_setups_says_what_it_claims() -> None:
    (body,) = re.findall(r"<!-- predicted: table -->\n(.*?)<!-- predicted: end -->", PAGE, flags=re.S)
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
