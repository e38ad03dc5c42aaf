"""The recipe command, and recipes that cannot be used."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from fourlight.recipe import Recipe


def test_printed_defaults_are_the_defaults(command: Any) -> None:
    done = command("recipe", "--defaults")
    assert done.code == 0
    assert Recipe.model_validate(tomllib.loads(done.out)) == Recipe()
    assert all(f"[{section}]" in done.out for section in Recipe.model_fields)


def test_printed_defaults_pass_the_check(command: Any, tmp_path: Path) -> None:
    path = tmp_path / "my recipe.toml"
    path.write_text(command("recipe", "--defaults").out, encoding="utf-8")
    done = command("recipe", "--check", path)
    assert done.code == 0
    assert "a valid recipe" in done.out


WRONG = [
    ("[integrate]\npixfra = 1", "integrate.pixfra = 1: no such setting; did you mean integrate.pixfrac?"),
    ("[integrat]\npixfrac = 1", "no such setting; did you mean integrate?"),
    ("[integrate]\npixfrac = 7.5", "integrate.pixfrac = 7.5: must be at most 2"),
    ("[integrate]\nmethod = 'magic'", "integrate.method = 'magic'"),
    ("[read]\ngain_e_per_adu = inf", "read.gain_e_per_adu = inf: must be a finite number"),
    ("[finish]\nbackground = nan", "finish.background = nan"),
    ("[run]\nthreads = 'many'", "run.threads = 'many': must be a whole number"),
    ("[integrate]\npixfrac = ''", "integrate.pixfrac: no value is given; must be a number"),
    ("integrate = 3", "integrate = 3: must be a section"),
    ("[integrate\n", "not valid TOML"),
    ("# no TOML\nhello", "not valid TOML"),
]


@pytest.mark.parametrize(("text", "expected"), WRONG)
def test_a_wrong_recipe_is_named(command: Any, tmp_path: Path, raw: Path, text: str, expected: str) -> None:
    path = tmp_path / "recipe.toml"
    path.write_text(text, encoding="utf-8")
    for words in (("recipe", "--check", path), ("run", raw, "--out", tmp_path / "out", "--recipe", path)):
        done = command(*words)
        assert done.code == 2
        assert expected in done.line
        assert str(path) in done.line
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("setting", "expected"),
    [
        ("integrate.pixfra=1", "did you mean integrate.pixfrac?"),
        ("integrate.pixfrac=0", "must be more than 0"),
        ("pixfrac=1", "setting: pixfrac=1: write it as section.field=value, such as integrate.pixfrac=1"),
        ("pixfrac", "setting: pixfrac: write it as section.field=value, such as integrate.pixfrac=VALUE"),
        ("integrate.pixfrac", "such as integrate.pixfrac=VALUE"),
        ("integrate=1", "section.field=value, such as integrate.pixfrac=0.8"),
        ("integrate.pixfrac=", "setting: integrate.pixfrac: no value is given; must be a number"),
        ("read.mosaic=", "setting: read.mosaic: no value is given; must be auto, RGGB"),
        ("read.mosaic=RGB", "read.mosaic = 'RGB'"),
    ],
)
def test_a_wrong_setting_is_named(
    command: Any, tmp_path: Path, raw: Path, setting: str, expected: str
) -> None:
    done = command("run", raw, "--out", tmp_path / "out", "--set", setting)
    assert done.code == 2
    assert expected in done.line
    assert not (tmp_path / "out").exists()


def test_a_recipe_that_is_not_there_or_not_text(command: Any, tmp_path: Path) -> None:
    assert "No such file" in command("recipe", "--check", tmp_path / "none.toml").line
    assert "Is a directory" in command("recipe", "--check", tmp_path).line
    (tmp_path / "picture.toml").write_bytes(b"\xff\xd8\xff\xe0")
    assert "not a text file" in command("recipe", "--check", tmp_path / "picture.toml").line


def test_nothing_asked_for(command: Any) -> None:
    done = command("recipe")
    assert done.code == 2
    assert "--defaults" in done.line
