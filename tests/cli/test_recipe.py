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
    ("[integrate]\npixfrac = 7.5", "integrate.pixfrac = 7.5: must be 0.1 to 2"),
    ("[integrate]\nmethod = 'magic'", "integrate.method = 'magic'"),
    ("[read]\ngain_e_per_adu = inf", "read.gain_e_per_adu = inf: must be a finite number"),
    ("[finish.stretch]\nbackground = nan", "finish.stretch.background = nan"),
    ("[run]\nthreads = 'many'", "run.threads = 'many': must be a whole number"),
    ("[integrate]\npixfrac = ''", "integrate.pixfrac: no value is given; must be a number, 0.1 to 2"),
    ("integrate = 3", "integrate = 3: must be a section"),
    (
        "[integrate\n",
        "line 1, '[integrate', is not valid TOML (']' is missing); a line is [section], or name =",
    ),
    ("# no TOML\nhello", "line 2, 'hello', is not valid TOML (no '=' after the name); a line is [section]"),
    ("[integrate]\nmethod = drizzle", "line 2, 'method = drizzle', is not valid TOML (no value that can be"),
    ("[integrate]\npixfrac = 0,7\n", "'pixfrac = 0,7', is not valid TOML (something stands after the value"),
    ("[run]\nthreads = 1\nthreads = 2", "line 3, 'threads = 2', is not valid TOML (its name has a value"),
    ("[run]\n[run]", "line 2, '[run]', is not valid TOML (section run stands there already)"),
    ("[[run]]\n[read]\nfilter = '''", "(a quote is not closed before its end); a line is [section]"),
    ('[integrate]\nmethod = "drizzle\n[run]', "line 2, 'method = \"drizzle', is not valid TOML (a quote is"),
    (
        "[integrate] pixfrac = 0.8",
        "line 1, '[integrate] pixfrac = 0.8', is not valid TOML (something stands after ']')",
    ),
    (
        '[read]\nfilter = "C:\\Users"',
        "(a \\ in double quotes begins an escape; write \\\\, or use single quotes)",
    ),
    (
        "[größe]\na = 1",
        "line 1, '[größe]', is not valid TOML (no name, or one with other letters than a to z",
    ),
    ("größe = 1", "line 1, 'größe = 1', is not valid TOML (no name, or one with other letters than a to z"),
    ("[a.b]\n[a.b]", "line 2, '[a.b]', is not valid TOML (section a.b stands there already)"),
    ("[read]\nfilter = '''a", "not valid TOML (a quote is not closed before its end)"),
    ("# one\u2028line\n[run\n", "line 2, '[run', is not valid TOML (']' is missing)"),
    (f"[run]\nthreads = {'9' * 5000}", "not valid TOML (a number has thousands of digits)"),
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
        ("integrate.pixfrac=0", "must be 0.1 to 2"),
        ("finish.files.jpeg_quality=101", "must be 50 to 100"),
        ("integrate.min_transparency=1", "must be at least 0 and less than 1"),
        ("pixfrac=1", "setting: pixfrac=1: write it as section.field=value, such as integrate.pixfrac=1"),
        ("pixfrac", "setting: pixfrac: write it as section.field=value, such as integrate.pixfrac=VALUE"),
        ("integrate.pixfrac", "such as integrate.pixfrac=VALUE"),
        ("integrate=1", "section.field=value, such as integrate.pixfrac=0.8"),
        ("integrate.pixfrac=", "setting: integrate.pixfrac: no value is given; must be a number"),
        ("read.mosaic=", "setting: read.mosaic: no value is given; must be auto, RGGB"),
        ("read.mosaic=RGB", "read.mosaic = 'RGB'"),
        (f"run.threads={'9' * 5000}", "...: must be a whole number"),
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
    said = command("recipe", "--check", tmp_path / "picture.toml").line
    assert "not a text file" in said
    assert "; save it as UTF-8, or make one with " in said


def test_nothing_asked_for(command: Any) -> None:
    done = command("recipe")
    assert done.code == 2
    assert "--defaults" in done.line


@pytest.mark.parametrize(
    ("settings", "expected"),
    [
        (("0.7", "0.8"), "setting: integrate.pixfrac: given twice, as 0.7 and as 0.8; give it once"),
        (("0.7", "0.7"), None),
        (("0.5", ".5"), None),
        (("1", "1.0"), None),
        ((".5", "0.6"), "setting: integrate.pixfrac: given twice, as .5 and as 0.6; give it once"),
    ],
)
def test_one_setting_given_twice(
    command: Any, tmp_path: Path, settings: tuple[str, ...], expected: str | None
) -> None:
    words = [word for value in settings for word in ("--set", f"integrate.pixfrac={value}")]
    done = command("run", tmp_path / "none", "--out", tmp_path / "out", *words)
    assert done.code == 2
    assert done.line == expected if expected else "no such file or folder" in done.line


def test_recipes_and_scenes_are_told_from_each_other(command: Any, tmp_path: Path, raw: Path) -> None:
    """Each is named with the command that takes it; a file with names of both has a mistake in it."""
    recipe, scene, both = (tmp_path / f"{name}.toml" for name in ("my recipe", "scene", "both"))
    recipe.write_text(command("recipe", "--defaults").out, encoding="utf-8")
    scene.write_text("seed = 3\n[camera]\nwidth_px = 64\n[[nights]]\ncount = 1\n", encoding="utf-8")
    both.write_text("[camera]\nwidth_px = 64\n[run]\nthreads = 1\n", encoding="utf-8")
    out = ("--out", tmp_path / "out")
    said = command("simulate", recipe, *out).line
    assert said == (
        f"{recipe}: this is a recipe, not a scene; the command for it is: "
        f"fourlight run NIGHTS --out FOLDER --recipe '{recipe}'"
    )
    for words in (("run", raw, *out, "--recipe", scene), ("recipe", "--check", scene)):
        said = command(*words).line
        assert said.startswith(f"{scene}: this is a scene, not a recipe; the command for it is: ")
        assert said.endswith(f"fourlight simulate {scene} --out FOLDER")
    assert "camera" in command("recipe", "--check", both).line
    assert "no such setting" in command("recipe", "--check", both).line
    assert not (tmp_path / "out").exists()


def test_the_mark_that_some_editors_put_first_is_no_fault(command: Any, tmp_path: Path) -> None:
    path = tmp_path / "recipe.toml"
    for encoding in ("utf-8-sig", "utf-16"):  # the second is what some shells write where a user says >
        path.write_text("[run]\nthreads = 1\n", encoding=encoding)
        assert command("recipe", "--check", path).code == 0
        path.write_text("[run]\nthreads = 1\nth\n", encoding=encoding)
        assert "line 3, 'th', is not valid TOML" in command("recipe", "--check", path).line
    path.write_bytes("[run]\n".encode("utf-16")[:-1])
    assert "save it as UTF-8" in command("recipe", "--check", path).line
