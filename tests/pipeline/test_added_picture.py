"""The picture of a stack that lights were added to, with its usual steps."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads

SCENE = """
seed = 21
exposure_s = 600.0
[object]
size = 0.7
[camera]
width_px = 240
height_px = 180
[stars]
count = 70
cluster_count = 0
[calibration]
flats = 5
bias = 5
[[nights]]
count = 8
seeing_arcsec = 5.5
[[nights]]
count = 3
seeing_arcsec = 5.5
start_utc = "2031-08-15T23:30:00"
"""


@pytest.mark.slow
def test_the_picture_of_all_lights_is_denoised_and_sharpened(command: Any, tmp_path: Path) -> None:
    """It is that which the command for pictures makes of the stack and halves that are left."""
    simulate(loads(SCENE), tmp_path / "sim")
    out = tmp_path / "out"
    settings = with_settings(Recipe(), ["run.keep_sums=true", "integrate.method=least-squares"])
    run([tmp_path / "sim" / name for name in ("night1", "flats", "bias")], out, settings)
    before = (out / "picture.png").read_bytes()
    done = command("run", "--add", tmp_path / "sim" / "night2", "--out", out)
    assert done.code == 0, done.err
    assert "3 lights added to 8" in done.err
    made = (out / "picture.png").read_bytes()
    assert made != before
    steps = {
        step["name"]: step for step in json.loads((out / "summary.json").read_text())["picture"]["steps"]
    }
    assert all((out / steps[name]["file"]).exists() for name in ("denoise", "sharpen"))
    assert any("brought towards" in note for note in steps["sharpen"]["notes"])
    assert any("is kept" in note for note in steps["denoise"]["notes"])
    (out / "picture.png").write_bytes(before)
    again = command("picture", out)
    assert again.code == 0, again.err
    assert (out / "picture.png").read_bytes() == made
