"""The wheel: it holds the whole program with its data and nothing else, and works where nothing else of it is."""

from __future__ import annotations

import os
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
BIN = "Scripts" if os.name == "nt" else "bin"

ASKED = """
import fourlight, sys
from pathlib import Path
assert Path(fourlight.__file__).is_relative_to(Path(sys.prefix).resolve()), fourlight.__file__
from fourlight.cli.app import build
assert build(["camera", "list"]) == 0
from fourlight.sky.catalogue import cone
print(len(cone(101.3, -16.7, 0.1, faintest=0.0)), "star")
"""
"""The star table of `solve` knows the brightest star of the sky at its place (J2000, Hipparcos: V = -1.44)."""


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("wheel")
    words = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(out)]
    subprocess.run(words, cwd=ROOT, check=True, capture_output=True)
    (made,) = out.glob("*.whl")
    return made


def test_it_holds_the_program_with_its_data_and_nothing_else(wheel: Path) -> None:
    source = ROOT / "src"
    there = {
        path.relative_to(source).as_posix()
        for path in (source / "fourlight").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    names = [name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name]
    assert len(names) == len(set(names))
    assert set(names) == there
    kinds = {Path(name).suffix for name in names}
    assert {".py", ".toml", ".npy", ".csv", ".css", ".js", ".j2", ".html"} <= kinds


def test_it_works_in_an_environment_of_its_own(wheel: Path, tmp_path: Path) -> None:
    """Other packages are those of this environment; a path in a .pth file brings no editable install with it."""
    place = tmp_path / "env"
    venv.create(place, with_pip=False, symlinks=os.name != "nt")
    python = place / BIN / ("python.exe" if os.name == "nt" else "python")
    words = [sys.executable, "-m", "pip", "--python", str(python), "install", "--no-deps", "--no-index"]
    environ = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "NUMBA"))}
    subprocess.run(
        [*words, "--quiet", str(wheel)], check=True, capture_output=True, cwd=tmp_path, env=environ
    )
    (packages,) = place.glob("[Ll]ib/**/site-packages")
    others = [path for path in sys.path if path.endswith("site-packages")]
    (packages / "others.pth").write_text("\n".join(others), encoding="utf-8")

    def answer(*words: object) -> str:
        told = [str(word) for word in words]
        return subprocess.run(
            told, check=True, capture_output=True, text=True, cwd=tmp_path, env=environ
        ).stdout

    assert "Usage: fourlight" in answer(place / BIN / "fourlight", "--help")
    said = answer(python, "-c", ASKED)
    assert "generic" in said
    assert said.endswith("1 star\n")
