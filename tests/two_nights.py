"""Two simulated nights of one field, the second turned, with flats and bias frames beside the first."""

from __future__ import annotations

import shutil
from pathlib import Path

from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads

SCENE = """
seed = 18
[object]
size = 0.7
[camera]
{camera}
[stars]
{stars}
cluster_count = 0
[calibration]
flats = 5
bias = 5
[[nights]]
count = 12
[[nights]]
count = 5
rotation_deg = 2.0
start_utc = "2031-08-15T23:30:00"
"""
SMALL = SCENE.format(camera="width_px = 240\nheight_px = 180", stars="count = 150\nfaintest_mag = 13.0")
"""A small field with bright stars, so that the light of lights is known well enough to add others to them."""
WIDE = SCENE.format(camera="width_px = 360\nheight_px = 270", stars="count = 180")
"""A field most of which is empty of stars."""


def two_nights(root: Path, scene: str) -> tuple[Path, Path]:
    """Folders of the first night with calibration frames, and of the second night."""
    simulate(loads(scene), root / "sim")
    for name in ("night1", "flats", "bias"):
        shutil.move(root / "sim" / name, root / "first" / name)
    shutil.move(root / "sim" / "night2", root / "second" / "night2")
    return root / "first", root / "second"
