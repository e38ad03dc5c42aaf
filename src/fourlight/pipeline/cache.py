"""Measured lights kept on disk, so that a stopped run does not measure them again."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from fourlight.frames import FrameFlag, MeasuredFrame, RawFrame, StarList
from fourlight.io.arrays import READING
from fourlight.io.room import whole

__all__ = ["digest", "load", "prune", "save"]

FORMAT = 8
"""Raise this when measuring changes, so that old files are not taken for new ones."""

STARS = ("x", "y", "flux", "flux_error", "fwhm_px", "elongation", "saturated")
ARRAYS = (
    "sky",
    "noise",
    "gradient",
    "fwhm_px",
    "elongation",
    "sky_map",
    "fringe_normal",
    "fringe_right",
    "trails",
)


def digest(*parts: Any) -> str:
    """Short hash of anything that JSON can write; paths and arrays go in as text and lists."""
    text = json.dumps(parts, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:20]


def save(path: Path, frame: MeasuredFrame) -> None:
    """Write what was measured (not the raw frame's facts) to a file, complete or not at all."""
    arrays = {f"stars_{name}": getattr(frame.stars, name) for name in STARS}
    arrays |= {name: getattr(frame, name) for name in ARRAYS}
    with whole(path) as part, part.open("wb") as stream:
        np.savez(
            stream, format=FORMAT, angle=frame.angle_deg, flags=int(frame.flags),
            aperture=frame.aperture_error, **arrays,
        )  # fmt: skip


def load(path: Path, raw: RawFrame) -> MeasuredFrame | None:
    """What `save` wrote; None where there is nothing usable."""
    try:
        with READING, path.open("rb") as stream, np.load(stream, allow_pickle=False) as data:
            if int(data["format"]) != FORMAT:
                return None
            stars = StarList(**{name: data[f"stars_{name}"] for name in STARS})
            arrays = {name: data[name] for name in ARRAYS}
            return MeasuredFrame(
                raw=raw,
                stars=stars,
                angle_deg=float(data["angle"]),
                flags=FrameFlag(int(data["flags"])),
                aperture_error=float(data["aperture"]),
                **arrays,
            )
    except Exception:  # only a short cut: whatever is wrong with the file, the light is measured again
        return None


def prune(folder: Path, kept: Collection[Path]) -> None:
    """Remove files that runs of other frames, another recipe or another program left; nobody would read them again."""
    for path in folder.iterdir():
        if path not in kept and path.is_file():
            with suppress(OSError):
                path.unlink()
