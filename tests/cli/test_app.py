"""The command line as a whole: exit codes, usage errors, and one line for whatever goes wrong."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

from fourlight import __version__
from fourlight.cli import app, run
from fourlight.cli.plain import UsageError
from fourlight.errors import FourlightError

ROOT = Path(__file__).parents[2]


def test_the_version_is_printed(command: Any) -> None:
    done = command("--version")
    assert (done.code, done.out.strip()) == (0, __version__)


def test_help_names_every_command(command: Any) -> None:
    done = command("--help")
    assert done.code == 0
    assert all(name in done.out for name in app.COMMANDS)


HELPED = """
import sys
from fourlight.cli.app import build
assert build(["--help"]) == 0
print(*sorted({name.partition(".")[0] for name in sys.modules} | {name for name in sys.modules if "." in name}))
"""


def test_help_imports_nothing_that_does_the_work() -> None:
    """Of the packages that the program needs, those of the command line alone; of its own, no way to the work."""
    needs = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["dependencies"]
    packages = {re.split(r"[^A-Za-z0-9_-]", need)[0] for need in needs} - {"typer", "rich"} | {"PIL"}
    assert len(packages) > 10
    own = {f"fourlight.{part}" for part in ("recipe", "pipeline", "stages", "report", "core", "provenance")}
    slow = {"importlib.metadata", "rich.progress", "fourlight.cli.progress", "fourlight.cli.named_files"}
    done = subprocess.run([sys.executable, "-c", HELPED], check=True, capture_output=True, text=True)
    imported = set(done.stdout.splitlines()[-1].split())
    assert {"typer", "fourlight.cli.run"} <= imported
    assert (packages | own | slow) & imported == set()


@pytest.mark.parametrize("name", app.COMMANDS)
def test_every_command_has_help(command: Any, name: str) -> None:
    done = command(name, "--help")
    assert done.code == 0
    assert "Usage: fourlight " + name in done.out
    assert "--debug" in done.out
    assert not re.search(r"<bool>|<str>|list\[|\.\.\.\]\.\.\.", done.out), "types are words of programmers"


@pytest.mark.parametrize("seed", ["x", "-3", "1.5"])
def test_a_seed_that_is_no_number_is_said_in_plain_words(command: Any, seed: str) -> None:
    done = command("simulate", "demo", "--out", "nowhere", "--seed", seed)
    assert done.code == 2
    assert f"'{seed}' is found, a whole number of at least 0 is needed" in done.line


def test_a_setting_that_cannot_be_is_no_fault_of_a_recipe(command: Any, tmp_path: Path) -> None:
    done = command("run", tmp_path, "--out", tmp_path / "out", "--set", "integrate.pixfrac=9")
    assert (done.code, done.line) == (2, "setting: integrate.pixfrac = 9: must be 0.1 to 2")


@pytest.mark.parametrize("text", ["tonight", "2031-08-14T25:00:00", "14.8.2031"])
def test_a_date_that_is_none_is_said_in_plain_words(command: Any, tmp_path: Path, text: str) -> None:
    scene = tmp_path / "scene.toml"
    scene.write_text(f'[[nights]]\nstart_utc = "2031-08-14"\n[[nights]]\nstart_utc = "{text}"\n')
    done = command("simulate", scene, "--out", tmp_path / "out")
    assert done.code == 2
    assert done.line == (
        f"{scene}: start_utc of night 2 = '{text}': must be a date and time of the calendar in UTC, such as"
        " 2031-08-14T21:30:00"
    )


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("stack",), "no such command stack; see fourlight --help"),
        (("rn",), "no such command rn (did you mean run?); see fourlight --help"),
        (("simulat", "x"), "no such command simulat (did you mean simulate?); see fourlight --help"),
        (("--into",), "no such option --into; see fourlight --help"),
        (("run", "--into", "x"), "no such option --into; see fourlight run --help"),
        (("run", "n", "--oot", "x"), "no such option --oot (did you mean --out?); see fourlight run --help"),
        (("run", "n", "--out"), "option '--out' needs a value; see fourlight run --help"),
        (("inspect",), "missing argument 'NIGHTS'; see fourlight inspect --help"),
        (("simulate", "demo"), "missing option '--out'; see fourlight simulate --help"),
        (("camera", "measure", "x"), "missing argument 'BIAS'; see fourlight camera measure --help"),
        (("camera", "shw"), "no such command shw (did you mean show?); see fourlight camera --help"),
        (("demo", "a", "b"), "b: more than this command takes; see fourlight demo --help"),
    ],
)
def test_wrong_usage_is_one_line_with_a_hint(command: Any, words: tuple[str, ...], expected: str) -> None:
    done = command(*words)
    assert (done.code, done.line) == (2, expected)
    assert len(done.err.splitlines()) == 1
    assert not done.out


@pytest.mark.parametrize(
    "words", [("rn",), ("--into",), ("run", "--into"), ("run", "n", "--out"), ("inspect",)]
)
def test_wrong_usage_raises_the_class_that_is_caught(words: tuple[str, ...]) -> None:
    """The command library names it in no public place."""
    with pytest.raises(Exception, match=r".") as caught:
        app.program(list(words))(args=list(words), prog_name="fourlight", standalone_mode=False)
    assert isinstance(caught.value, UsageError)
    assert UsageError is not Exception
    assert not issubclass(FourlightError, UsageError)


def test_no_word_at_all_is_answered_with_help(command: Any) -> None:
    done = command()
    assert done.code == 2
    assert "Usage: fourlight" in done.out
    assert not done.err


@pytest.mark.parametrize("name", ["", *app.COMMANDS])
def test_help_fits_80_columns(command: Any, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    said = command(*([name] if name else []), "--help").out
    assert max(len(line) for line in said.splitlines()) <= 80
    assert "…" not in said


def test_help_says_that_a_setting_wins_over_the_recipe(command: Any) -> None:
    words = re.sub(r"[^\w' ]+", " ", command("run", "--help").out).split()
    assert "in place of the recipe's repeat it for more" in " ".join(words)


def broken(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(run, "execute", fail)


@pytest.mark.parametrize(
    ("error", "code", "text"),
    [
        (MemoryError(), 1, "not enough memory"),
        (KeyboardInterrupt(), 1, "stopped; run the same command again to continue"),
        (ZeroDivisionError("by nothing\nat all"), 1, "ZeroDivisionError: by nothing at all"),
        (OSError(28, "No space left on device"), 1, "No space left on device"),
    ],
)
def test_whatever_happens_is_one_line(
    command: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, error: BaseException, code: int, text: str
) -> None:
    broken(monkeypatch, error)
    done = command("run", tmp_path, "--out", tmp_path / "out")
    assert done.code == code
    assert text in done.line


def test_ctrl_c_inside_compiled_code_is_still_ctrl_c(
    command: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    wrapped = SystemError("returned a result with an exception set")
    wrapped.__cause__ = KeyboardInterrupt()
    broken(monkeypatch, wrapped)
    done = command("run", tmp_path, "--out", tmp_path / "out")
    assert (done.code, done.line) == (1, "stopped; run the same command again to continue")


def test_debug_shows_where_an_error_came_from(
    command: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    broken(monkeypatch, ZeroDivisionError("by nothing"))
    done = command("run", tmp_path, "--out", tmp_path / "out", "--debug")
    assert done.code == 1
    assert "Traceback" in done.err
    assert done.err.splitlines()[-1].startswith("fourlight: ")


def test_the_library_of_linear_algebra_takes_one_thread_unless_the_user_says_otherwise(
    tmp_path: Path,
) -> None:
    """Set before numpy is there, as it reads the number once."""
    script = (
        "import os, sys, fourlight.cli as cli; assert 'numpy' not in sys.modules; sys.argv[1:] = ['--version']\n"
        "try: cli.main()\nexcept SystemExit: print(os.environ['OPENBLAS_NUM_THREADS'])"
    )
    for given, found in (({}, "1"), ({"OPENBLAS_NUM_THREADS": "3"}, "3")):
        clean = {key: value for key, value in os.environ.items() if not key.endswith("NUM_THREADS")}
        done = subprocess.run(
            [sys.executable, "-c", script], env=clean | given, capture_output=True, text=True, check=True
        )
        assert done.stdout.split()[-1] == found, done.stderr
