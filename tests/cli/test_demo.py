"""The demo command, on a smaller scene than the one that comes along."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from fourlight.simulate import scene
from fourlight.simulate.scene import loads

TINY = """
seed = 8
[camera]
width_px = 240
height_px = 180
[stars]
count = 70
cluster_count = 0
[[nights]]
count = 3
"""


@pytest.fixture(autouse=True)
def small_scene(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scene, "packaged", lambda name: loads(TINY))


def test_the_demo_makes_nights_and_results(command: Any, tmp_path: Path, untouched: Any) -> None:
    folder = tmp_path / "a demo"
    done = command("demo", folder)
    assert done.code == 0
    assert len(list((folder / "nights" / "night1").glob("*.fits"))) == 3
    assert (folder / "results" / "report.html").is_file()
    assert len(json.loads((folder / "results" / "summary.json").read_text())["frames"]) == 3
    for place in ("nights", "truth", "results", "report.html"):
        assert str(folder) in done.err
        assert place in done.err
    with untouched(folder / "nights"):
        again = command("demo", folder)
    assert again.code == 0, "the demo may be run again"
    assert "are of this demo and version; used again" in again.err


def test_a_folder_with_other_things_is_refused(command: Any, raw: Path, untouched: Any) -> None:
    with untouched(raw):
        done = command("demo", raw)
    assert done.code == 2
    assert "holds light_0001.fits; name a new or empty folder" in done.line


def test_a_file_is_refused(command: Any, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    done = command("demo", tmp_path / "file")
    assert done.code == 2
    assert "name a new or empty folder" in done.line


def test_the_scene_that_comes_along_is_the_one_promised() -> None:
    # Issue 2: two nights, one with the Moon up, about 2 x 12 subs near 1,500 x 1,000 px.
    from importlib import resources

    text = resources.files("fourlight.simulate").joinpath("scenes", "demo.toml").read_text("utf-8")
    demo = loads(text)
    assert [night.count for night in demo.nights] == [12, 12]
    assert sum(night.moon_phase_deg is not None for night in demo.nights) == 1
    assert (demo.camera.width_px, demo.camera.height_px) == (1500, 1000)
