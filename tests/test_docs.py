"""Documents: every command in them runs, generated pages are current, links lead somewhere."""

from __future__ import annotations

import contextlib
import importlib.util
import json
import re
import shlex
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from fourlight.cli.app import COMMANDS, build
from fourlight.pipeline.linear_sky import framing_cards
from fourlight.recipe_finish import LOOKS
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads, packaged
from fourlight.stages.claim_file import loads as loads_claims
from fourlight.stages.framing import Framing
from page_commands import blocks, run_line, shell_lines

ROOT = Path(__file__).parent.parent
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md"))]

SMALL = """
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
count = 5
[[nights]]
count = 3
start_utc = "2031-08-20T23:40:00"
"""
"""Stands for the demo's nights, which the demo test makes at full size."""


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_no_figure_is_left_to_be_filled_in(page: Path) -> None:
    """A word in capitals that stands for a sentence."""
    assert re.findall(r"(?:^|[.:*] )[A-Z]{4,}\.?$", page.read_text(encoding="utf-8"), flags=re.M) == []


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    return Demo(tmp_path_factory.mktemp("demo"))


class Demo:
    """A folder where `make demo` has left its frames (smaller ones here), and the commands that have been run in it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.done: set[str] = set()
        simulate(loads(SMALL), folder / "demo" / "nights")

    def follow(self, page: Path) -> None:
        """Run the commands of a page in their order, but for those that were run for another page."""
        for line in shell_lines(page):
            if line not in self.done:
                run_line(line)
                self.done.add(line)


@pytest.mark.slow
@pytest.mark.usefixtures("no_settings")
def test_commands_of_the_readme_run(demo: Demo, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(demo.folder)
    assert len(shell_lines(ROOT / "README.md")) >= 5
    demo.follow(ROOT / "README.md")


@pytest.mark.slow
@pytest.mark.usefixtures("no_settings")
def test_commands_of_the_page_on_what_ifs_run(demo: Demo, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(demo.folder)
    page = ROOT / "docs" / "whatif.md"
    assert len(shell_lines(page)) >= 5
    demo.follow(page)
    told = {
        name: json.loads(Path("demo", name, "whatif.json").read_text())
        for name in ("suburb", "full-moon", "short-city", "no-green")
    }
    assert told["suburb"]["sky"]["is_mag"]["median"] == pytest.approx(19, abs=0.01)
    assert told["short-city"]["lights"]["asked"] == 6
    assert told["no-green"]["run"] is None


def test_the_readme_says_how_to_call_the_program_before_its_first_command() -> None:
    """`make demo` installs into an environment of its own, where no shell finds `fourlight` by itself."""
    before = (ROOT / "README.md").read_text(encoding="utf-8").partition("```sh\nfourlight")[0]
    assert [
        words
        for words in (". .venv/bin/activate", "Activate.ps1", ".venv/bin/fourlight`")
        if words not in before.partition("## Your own nights")[2]
    ] == []


@pytest.mark.slow
def test_commands_of_the_cluster_page_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Scheduler and worker as a user starts them, but for the address, and the script for a pool of processes."""
    pytest.importorskip("distributed")
    monkeypatch.chdir(tmp_path)
    simulate(loads(SMALL), Path("demo/nights"))
    page = ROOT / "docs" / "cluster.md"
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = str(free.getsockname()[1])
    with contextlib.ExitStack() as started:
        for line in shell_lines(page):
            words = shlex.split(line.replace("192.0.2.10", "127.0.0.1").replace("8786", port))
            if words[0] == "fourlight":
                assert build(words[1:]) == 0, line
                continue
            assert words[0] == "dask"
            process = subprocess.Popen([sys.executable, "-m", *words], stderr=subprocess.DEVNULL)
            started.callback(process.wait)
            started.callback(process.terminate)
            until = time.monotonic() + 60
            while "scheduler" in words and not answers(port) and time.monotonic() < until:
                time.sleep(0.1)
    (code,) = blocks(page, "python")
    Path("pool.py").write_text(code, encoding="utf-8")
    subprocess.run([sys.executable, "pool.py"], check=True, timeout=300)
    stacks = [Path("demo", name, "stack.fits").read_bytes() for name in ("by-cluster", "by-pool")]
    assert stacks[0] == stacks[1]


def test_commands_of_the_page_on_cameras_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the frames of a smaller bench."""
    monkeypatch.chdir(tmp_path)
    scene = packaged("bench")
    size = {"width_px": 240, "height_px": 200}
    fewer = {"flats": 2, "bias": 4, "darks": 2, "flat_levels": (0.1, 0.3, 0.6)}
    simulate(
        scene.model_copy(
            update={
                "camera": scene.camera.model_copy(update=size),
                "calibration": scene.calibration.model_copy(update=fewer),
            }
        ),
        Path("small"),
    )
    page = ROOT / "docs" / "photon-transfer.md"
    for line in shell_lines(page):
        if not line.startswith("fourlight simulate"):
            run_line(line.replace("demo/bench", "small"))
    assert "camera profile" in Path("demo/by-profile/report.html").read_text(encoding="utf-8")


def answers(port: str) -> bool:
    try:
        socket.create_connection(("127.0.0.1", int(port)), timeout=1).close()
    except OSError:
        return False
    return True


def test_every_command_is_in_the_readme() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [name for name in COMMANDS if f"fourlight {name}" not in text] == []


def test_make_targets_of_the_readme_exist() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    named = set(re.findall(r"\bmake (\w+)", (ROOT / "README.md").read_text(encoding="utf-8")))
    assert {"demo", "test"} <= named
    assert [
        name for name in sorted(named - {"it"}) if not re.search(rf"^{name}:", makefile, flags=re.M)
    ] == []


@pytest.mark.parametrize("name", ["recipe", "claims", "commands", "dependencies"])
def test_pages_made_from_the_program_are_current(name: str) -> None:
    spec = importlib.util.spec_from_file_location(f"{name}_docs", ROOT / "builders" / f"{name}_docs.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert (ROOT / "docs" / f"{name}.md").read_text(encoding="utf-8") == module.page()


def test_the_example_of_a_claim_can_be_used() -> None:
    (text,) = re.findall(
        r"```toml\n(.*?)```", (ROOT / "docs" / "claims.md").read_text(encoding="utf-8"), flags=re.S
    )
    assert [claim.name for claim in loads_claims(text)] == ["noise grows with temperature"]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    targets = re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8"))
    assert [
        name for name in targets if not name.startswith("http") and not (page.parent / name).exists()
    ] == []


def test_the_looks_of_the_page_are_those_of_the_program() -> None:
    page = (ROOT / "docs" / "picture.md").read_text(encoding="utf-8")
    for name, look in LOOKS.items():
        values = (look.background, look.bright, look.saturation)
        row = next(line for line in page.splitlines() if line.startswith(f"| {name} |"))
        assert tuple(float(cell) for cell in row.split("|")[2:5]) == values


def test_cards_that_place_the_light_of_a_picture_are_told_in_one_page() -> None:
    cards = framing_cards(Framing((0, 20, 0, 30)))
    assert len(cards) >= 4
    for card in cards:
        assert [page.name for page in PAGES if f"`{card}`" in page.read_text(encoding="utf-8")] == [
            "picture.md"
        ]
