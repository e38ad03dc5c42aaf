"""The picture after every step that made it, all under the last curve, so that what a step did is seen."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.io.export import jpeg_bytes, shallow
from fourlight.report.pictures import address, reduced
from fourlight.stages.canvas import Canvas
from fourlight.stages.display import displayed, mix
from fourlight.stages.finish import STEPS
from fourlight.stages.framing import Framing
from fourlight.stages.picture_parts import Picture

__all__ = ["HONESTY", "STEPS_FOLDER", "TITLES", "StepViews", "honesty_view", "steps_table"]

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Facts = Mapping[str, Any]

STEPS_FOLDER, HONESTY = "steps", "honesty.jpg"
TITLES = {
    "stack": "The stack", "gradient": "Sky taken off", "sharpen": "Sharpened", "colour": "Channels balanced",
    "luminance": "In grey", "denoise": "Unconfirmed detail smoothed", "stars": "Stars fainter", "stretch": "Shown",
}  # fmt: skip
LONGEST_PX, PAGE_PX, SHEET_PX = 1600, 720, 1400
"""Longer side of a picture of a step, as a file and on the page; that of the sheet on the page."""
QUALITY = 88
DARK_SHARE = 0.15
"""Of the pixels of a channel that lie below the level that is taken for its sky, as for planes on the page."""


class StepViews:
    """Keeps what a picture looked like after every step, small; see `fourlight.stages.finish.Seen`."""

    def __init__(self, canvas: Canvas) -> None:
        """With a canvas that has room for arrays."""
        self._canvas = canvas
        self._planes: dict[str, list[Float32]] = {}

    def __call__(self, step: str, planes: list[Float32], mixture: Float64 | None = None) -> None:
        """Look at the channels after a step, see `fourlight.stages.picture_parts.Seen`."""
        small = [_binned(plane, self._canvas) for plane in planes]
        if mixture is not None:
            kinds, which = np.unique(mixture, axis=0, return_inverse=True)  # grey is one for all channels
            mixed = [self._mixed(small, shares) for shares in kinds]
            small = [mixed[k] for k in which]
        self._planes[step] = small

    def _mixed(self, planes: list[Float32], shares: Float64) -> Float32:
        out = self._canvas.new(planes[0].shape)
        out[:] = mix(planes, shares)
        return out

    def write(
        self, folder: Path, picture: Picture, saturation: float, framing: Framing
    ) -> list[dict[str, Any]]:
        """Write ``steps/1-stack.jpg`` and so on into a folder; what is told of them, in their order."""
        (folder / STEPS_FOLDER).mkdir()
        told: list[dict[str, Any]] = []
        for name in ("stack", *STEPS):
            file = None
            if name in self._planes or name == "stretch":
                file = f"{STEPS_FOLDER}/{1 + sum(step['file'] is not None for step in told)}-{name}.jpg"
                (folder / file).write_bytes(
                    jpeg_bytes(self._view(name, picture, saturation, framing), QUALITY)
                )
            if file or picture.notes.get(name):
                told.append({"name": name, "file": file, "notes": list(picture.notes.get(name, ()))})
        return told

    def _view(
        self, name: str, picture: Picture, saturation: float, framing: Framing
    ) -> npt.NDArray[np.uint8]:
        """The picture after a step, in 8 bits."""
        if name == "stretch":
            return reduced(framing.part(picture.window, picture.rgb), LONGEST_PX)
        planes = [framing.part(picture.window, plane) for plane in self._planes[name]]
        return shallow(_shown(planes, picture, saturation, level=name == "stack"))


def _shown(planes: list[Float32], picture: Picture, saturation: float, *, level: bool) -> Float32:
    """Channels as the finished picture shows light; less their level where their sky is in them still."""
    if level:
        planes = [plane - np.float32(np.quantile(plane, DARK_SHARE)) for plane in planes]
    return displayed(planes, picture.weights, picture.curve, saturation)


def _binned(plane: Float32, canvas: Canvas) -> Float32:
    """Means of blocks, so that the longer side is short enough."""
    step = -(-max(plane.shape) // LONGEST_PX)
    ny, nx = (max(size // step, 1) for size in plane.shape)
    out = canvas.new((ny, nx))
    for y in range(ny):
        rows = plane[y * step : (y + 1) * step, : nx * step]
        out[y] = rows.reshape(len(rows), nx, -1).mean(axis=(0, 2))
    return out


def steps_table(summary: Facts, folder: Path | None) -> list[dict[str, Any]]:
    """Steps of the picture for the page: title, sentences, and the picture as a data address or None."""
    found = []
    for step in (summary.get("picture") or {}).get("steps") or []:
        path = folder / step["file"] if folder and step["file"] else None
        if step["file"] and not (path and path.exists()):
            continue
        found.append({
            "title": TITLES.get(step["name"], step["name"]),
            "notes": step["notes"],
            "picture": address(path, PAGE_PX) if path else None,
        })  # fmt: skip
    return found


def honesty_view(folder: Path | None) -> str:
    """What the picture rests on as a data address; empty where that was not drawn."""
    path = None if folder is None else folder / HONESTY
    return address(path, SHEET_PX) if path and path.exists() else ""
