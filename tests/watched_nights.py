"""Simulated nights whose subs come one after the other, and a watch on them, for tests."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits

from fourlight.pipeline.watching import Ends, watch
from fourlight.recipe import Recipe, with_settings

SCENE = """
seed = 11
exposure_s = 60.0
[object]
kind = "nebula"
size = 140.0
[camera]
width_px = 400
height_px = 320
[stars]
count = 160
[[nights]]
count = 12
trail_share = 0.4
"""
HALF = with_settings(Recipe(), ['integrate.grid="0.5x"'])
PLANES = ("R", "G1", "G2", "B", "G")


class Told:
    """Keeps all lines."""

    def __init__(self) -> None:
        self.lines: list[tuple[str, str]] = []

    def line(self, what: str, text: str) -> None:
        self.lines.append((what, text))

    def of(self, what: str) -> list[str]:
        return [text for head, text in self.lines if head == what]


class Hours:
    """A clock that moves on while the watch waits, and lets things happen then."""

    def __init__(self, events: list[Callable[[], object]] | None = None) -> None:
        self.now, self.events = 0.0, list(events or [])
        self.polls = 0

    def __call__(self) -> float:
        return self.now

    def wait(self, seconds: float) -> None:
        self.now += max(seconds, 1.0)
        self.polls += 1
        if self.events and self.polls % 3 == 0:
            self.events.pop(0)()


def arriving(folder: Path, files: list[Path]) -> list[Callable[[], object]]:
    folder.mkdir(exist_ok=True)
    return [lambda file=file: shutil.copy(file, folder / file.name) for file in files]


def watched(
    folder: Path, out: Path, count: int, events: list[Any] | None = None, **more: Any
) -> tuple[Any, Told]:
    told, hours = Told(), Hours(events)
    folder.mkdir(exist_ok=True)
    facts = watch(
        folder, out, more.pop("recipe", HALF), ends=Ends(subs=count, idle_min=20), telling=told, wait=hours.wait,
        clock=hours, **more,
    )  # fmt: skip
    return facts, told


def layers(out: Path) -> dict[str, np.ndarray]:
    with fits.open(out / "stack.fits") as stack:
        return {unit.name: unit.data.astype(np.float64) for unit in stack[1:]}
