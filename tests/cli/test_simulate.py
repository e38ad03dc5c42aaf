from __future__ import annotations

import shutil
from collections import namedtuple
from pathlib import Path

import pytest
import typer

from fourlight.cli.app import build
from fourlight.cli.simulate import simulate
from fourlight.errors import InputError, OutputError, RecipeError
from fourlight.simulate.scene_names import packaged_names

SCENE = "[camera]\nwidth_px = 64\nheight_px = 48\n[stars]\ncount = 3\n[[nights]]\ncount = 1\n"


@pytest.fixture
def app() -> typer.Typer:
    made = typer.Typer()
    made.command()(simulate)
    return made


def run(app: typer.Typer, *words: str) -> None:
    app(args=list(words), standalone_mode=False)


def test_a_scene_becomes_frames(app: typer.Typer, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "scene.toml").write_text(SCENE)
    run(app, str(tmp_path / "scene.toml"), "--out", str(tmp_path / "out"), "--seed", "8")
    assert (tmp_path / "out" / "night1" / "light_0001.fits").is_file()
    assert '"seed": 8' in (tmp_path / "out" / "truth" / "truth.json").read_text()
    assert "1 light of" in capsys.readouterr().out


def test_a_missing_scene_is_one_clear_line(app: typer.Typer, tmp_path: Path) -> None:
    for scene in ("nosuch", str(tmp_path / "none.toml")):
        with pytest.raises(InputError, match=f"{scene}: no such file, and no scene of this name comes along"):
            run(app, scene, "--out", str(tmp_path / "out"))
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("name", packaged_names())
def test_the_scenes_that_come_along_are_named(app: typer.Typer, tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match=rf"comes along: .*\b{name}\b"):
        run(app, str(tmp_path), "--out", str(tmp_path / "out"))


def test_a_picture_is_not_a_scene(app: typer.Typer, tmp_path: Path) -> None:
    (tmp_path / "scene.toml").write_bytes(b"\xff\xd8\xff\xe0")
    with pytest.raises(InputError, match="not a text file"):
        run(app, str(tmp_path / "scene.toml"), "--out", str(tmp_path / "out"))


def test_an_unknown_key_stops_before_anything_is_written(app: typer.Typer, tmp_path: Path) -> None:
    (tmp_path / "scene.toml").write_text("[optics]\napperture_mm = 80")
    with pytest.raises(RecipeError, match=r"optics\.aperture_mm"):
        run(app, str(tmp_path / "scene.toml"), "--out", str(tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_a_disk_without_room_is_refused_before_anything_is_written(
    app: typer.Typer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is reckoned holds what is made, and is not much more: two megabytes are for tables."""
    (tmp_path / "scene.toml").write_text(SCENE.replace("= 64", "= 1000").replace("= 48", "= 800"))
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage(10**9, 0, 10**6))
    words = [str(tmp_path / "scene.toml"), "--out", str(tmp_path / "new" / "out")]
    with pytest.raises(
        OutputError, match=r"too little room for the frames and their truth \((\d+) MB needed"
    ) as told:
        run(app, *words)
    assert not (tmp_path / "new").exists()
    monkeypatch.undo()
    run(app, *words)
    used = sum(path.stat().st_size for path in (tmp_path / "new").rglob("*") if path.is_file()) / 1e6
    said = float(str(told.value).partition(" (")[2].partition(" MB")[0])
    assert used - 0.5 <= said < used + 3


def test_help_says_that_frames_are_used_again(capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("simulate", "demo"):
        assert build([command, "--help"]) == 0
        assert "used again" in " ".join(capsys.readouterr().out.replace("│", " ").split()), command


def test_a_folder_with_other_things_is_left_alone(app: typer.Typer, tmp_path: Path) -> None:
    (tmp_path / "scene.toml").write_text(SCENE)
    with pytest.raises(OutputError, match="something other"):
        run(app, str(tmp_path / "scene.toml"), "--out", str(tmp_path))
    assert [path.name for path in tmp_path.iterdir()] == ["scene.toml"]
