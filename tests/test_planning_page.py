"""The page on planning: its commands run with its files, its table is of twenty setups and its figure holds."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from fourlight.cli.app import build
from fourlight.stages.plan_light import KINDS

PAGE = (Path(__file__).parents[1] / "docs" / "planning.md").read_text("utf-8")


def block(kind: str) -> str:
    (found,) = re.findall(rf"```{kind}\n(.*?)```", PAGE, flags=re.S)
    return found


def test_commands_of_the_page_run(
    tmp_path_factory: pytest.TempPathFactory,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    folder, settings = tmp_path_factory.mktemp("page"), tmp_path_factory.mktemp("settings")
    monkeypatch.chdir(folder)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(settings))
    Path("sites.toml").write_text(block("toml"), encoding="utf-8")
    Path("ledge.csv").write_text(block("csv"), encoding="utf-8")
    lines = [line for line in block("sh").splitlines() if line.strip()]
    assert len(lines) >= 6
    for line in lines:
        words = shlex.split(line)
        assert words[0] == "fourlight"
        assert build(words[1:]) == 0, capsys.readouterr().err
    assert {path.name for path in folder.iterdir()} == {
        "sites.toml", "ledge.csv", "night.png", "year.html", "sub.png",
    }  # fmt: skip
    assert "times in UTC-3" in capsys.readouterr().out


def test_kinds_of_the_page_are_those_of_the_program() -> None:
    (body,) = re.findall(r"\| kind \|[^\n]*\n\|[-|]+\n((?:\|[^\n]*\n)+)", PAGE)
    assert set(re.findall(r"`([a-z-]+)`", body)) == set(KINDS)
    for target in KINDS.values():
        for number in (target.mag_arcsec2, *target.rayleigh.values()):
            assert number is None or f"{number:g}" in body


def test_the_table_of_setups_says_what_it_claims() -> None:
    (body,) = re.findall(r"<!-- planning: table -->\n(.*?)<!-- planning: end -->", PAGE, flags=re.S)
    rows = [line for line in body.splitlines() if line.startswith("| ")][1:]
    assert len(rows) == 20
    ratios = [float(value) for row in rows for value in re.findall(r"(?:[a-z]+) (\d\.\d{3})", row)]
    assert len(ratios) >= 40
    assert max(abs(ratio - 1) for ratio in ratios) < 0.05
    (told,) = re.findall(r"Largest departure: (\d\.\d) %", body)
    assert float(told) == pytest.approx(100 * max(abs(ratio - 1) for ratio in ratios), abs=0.06)
