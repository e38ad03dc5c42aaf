"""The light whose grid a finished stack has, from the results of its run."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fourlight.errors import FourlightError
from fourlight.frames import RawFrame
from fourlight.io.scan import scan

__all__ = ["reference_filter", "reference_light"]


def reference_light(summary: Mapping[str, Any]) -> RawFrame | None:
    """The reference light of which ``summary.json`` tells, as far as it is still there: its header tells more."""
    name = (summary.get("grid") or {}).get("reference")
    paths = [Path(frame["path"]) for frame in summary.get("frames") or () if frame["file"] == name]
    try:
        frames = scan(paths).frames if paths and paths[0].exists() else []
    except (FourlightError, OSError):
        return None
    return frames[0] if frames else None


def reference_filter(summary: Mapping[str, Any]) -> str | None:
    """What the reference light calls its filter, which is that of a stack, whether or not the light is still there."""
    name = (summary.get("grid") or {}).get("reference")
    return next((frame.get("filter") for frame in summary.get("frames") or () if frame["file"] == name), None)
