"""A finished picture as a run leaves it: its steps in colours that tell them apart, its files, its settings."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from fourlight.io.export import save_tiff, srgb_profile
from fourlight.recipe import Recipe
from fourlight.recipe_finish import Finish

SIZE = (160, 120)
LOOKS = {"plain": (30, 90, 40), "clear": (40, 120, 60), "rich": (50, 150, 80), "bold": (60, 180, 100)}
"""Colour of the finished picture by its look."""
STEPS = {"stack": (200, 60, 30), "gradient": (30, 60, 200), "denoise": None}
"""Colours of the steps before; a step of which nothing was drawn has none."""


def write_picture(out: Path, settings: dict[str, Any] | None = None) -> Path:
    """Write picture, steps, settings and record into a folder of results."""
    finish = Finish.model_validate(settings or {})
    (out / "steps").mkdir(exist_ok=True)
    steps = []
    for name, colour in {**STEPS, "stretch": LOOKS[finish.look]}.items():
        file = f"steps/{len(steps) + 1}-{name}.jpg" if colour else None
        if file and colour:
            _field(colour).resize((80, 60)).save(out / file)
        steps.append({"name": name, "file": file, "notes": [f"What {name} did."]})
    picture = _field(LOOKS[finish.look])
    for end in ("jpg", "png"):
        picture.save(out / f"picture.{end}")
    save_tiff(np.asarray(picture, dtype=np.float32) / 255, out / "picture.tif", srgb_profile())
    summary = json.loads((out / "summary.json").read_text())
    summary["picture"] = {
        "steps": steps,
        "look": finish.look,
        "window": [0, 120, 0, 160],
        "settings": finish.model_dump(mode="json"),
    }
    (out / "summary.json").write_text(json.dumps(summary))
    facts = {"inputs": {}, "searched": [], "recipe": Recipe().model_dump()}
    (out / "provenance.json").write_text(json.dumps(facts))
    return out


def _field(colour: tuple[int, int, int]) -> Image.Image:
    """One colour, and a bright spot in the upper left quarter."""
    pixels = np.empty((SIZE[1], SIZE[0], 3), np.uint8)
    pixels[:] = colour
    pixels[25:35, 35:45] = 255
    return Image.fromarray(pixels)
