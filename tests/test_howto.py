"""Tutorial and how-to pages: every command and script in them runs, on small frames in the folders that they name."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from typer.main import get_command

from dng_files import write_dng
from fourlight.cli.app import program
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from fourlight.stages.claim_file import shipped
from page_commands import blocks, run_line, shell_lines

HOWTO = Path(__file__).parent.parent / "docs" / "howto"
TUTORIAL = HOWTO.parent / "tutorial.md"
INDEX = (HOWTO / "index.md").read_text(encoding="utf-8")
NAMES = INDEX.partition(":maxdepth: 1\n\n")[2].partition("```")[0].split()

SCENE = """
seed = 3
[camera]
width_px = 240
height_px = 200
[stars]
count = 60
[calibration]
darks = 2
flats = 2
bias = 2
[[nights]]
count = 3
"""
MOON = """
[[nights]]
count = 2
start_utc = "2031-09-03T00:50:00"
moon_phase_deg = 20.0
moon_zenith_deg = 45.0
moon_separation_deg = 80.0
"""
DUAL = """
[filter]
name = "dual-7nm"
"""


class Desk:
    """A folder with frames of each kind, and the commands that have been run in it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.done: set[str] = set()
        simulate(loads(SCENE + MOON), folder / "nights")
        simulate(loads(SCENE.replace("[camera]", DUAL + "[camera]")), folder / "dual")
        for path in (folder / "nights" / "night1").glob("*.fits"):
            photo = folder / "photos" / "lights" / f"{path.stem}.dng"
            photo.parent.mkdir(parents=True, exist_ok=True)
            exif = {33434: (5, np.array([240, 1], "<u4").tobytes()), 34855: (3, np.uint16(800).tobytes())}
            write_dng(
                photo, np.asarray(fits.getdata(path), np.uint16), black=(500,) * 4, white=65535, exif=exif
            )

    def follow(self, page: Path) -> None:
        """Lay the files of a page where it says, and run its commands in their order, each once."""
        for language, name in (("toml", "mine.toml"), ("csv", "my-filter.csv")):
            for text in blocks(page, language):
                (self.folder / name).write_text(text, encoding="utf-8")
        for line in shell_lines(page):
            if line not in self.done:
                run_line(line)
                self.done.add(line)
        for code in blocks(page, "python"):
            exec(compile(code, page.name, "exec"), {"__name__": "__main__"})


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return Desk(tmp_path_factory.mktemp("desk"))


def test_the_list_has_every_page() -> None:
    assert sorted(NAMES) == sorted(path.stem for path in HOWTO.glob("*.md") if path.stem != "index")


@pytest.mark.parametrize("name", NAMES)
def test_commands_of_a_page_run(name: str, desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """After those of the pages before it, whose results it may use."""
    monkeypatch.chdir(desk.folder)
    for earlier in NAMES[: NAMES.index(name)]:
        if set(shell_lines(HOWTO / f"{earlier}.md")) - desk.done:
            desk.follow(HOWTO / f"{earlier}.md")
    desk.follow(HOWTO / f"{name}.md")


def test_commands_of_the_tutorial_run(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """On smaller frames than those of the demo, and their results."""
    monkeypatch.chdir(desk.folder)
    desk.follow(HOWTO / "first-light.md")
    shutil.copytree("nights", "demo/nights")
    shutil.copytree("results", "demo/results")
    desk.follow(TUTORIAL)


@pytest.mark.parametrize("page", [TUTORIAL, *sorted(HOWTO.glob("*.md"))], ids=lambda page: page.stem)
def test_other_commands_of_a_page_are_of_the_program(page: Path) -> None:
    """Those in the text, or set off, which take too long for a test: words are read, and no work is done."""
    text = page.read_text(encoding="utf-8")
    lines = re.findall(r"^    (fourlight .*)$", text, re.M) + re.findall(r"`(fourlight [^`]+)`", text)
    for name, *words in (shlex.split(line)[1:] for line in lines):
        if not words:  # the name of a command alone
            continue
        commands = get_command(program([name])).commands
        commands[name].make_context(name, words)
        claims = [words[k + 1] for k, word in enumerate(words) if word == "--claim"]
        assert set(claims) <= {claim.name for claim in shipped()}


def test_the_tutorial_installs_as_the_readme_does() -> None:
    """The same lines, word for word."""
    lines = [line for line in TUTORIAL.read_text("utf-8").splitlines() if line.startswith("    .venv/bin/")]
    assert len(lines) == 3
    assert [line for line in lines if line not in (HOWTO.parents[1] / "README.md").read_text("utf-8")] == []


def test_scripts_tell_what_is_there(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Three lights of four minutes on the first night, two on the second; widths of all results."""
    monkeypatch.chdir(desk.folder)
    desk.follow(HOWTO / "first-light.md")
    capsys.readouterr()
    desk.follow(HOWTO / "script.md")
    said = capsys.readouterr().out.splitlines()
    assert [line.split(": ")[1] for line in said[:2]] == ["9 min", "6 min"]
    assert any(line.startswith("results R ") and line.endswith(" px") for line in said)
