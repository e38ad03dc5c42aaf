"""What the measuring of a camera leaves in a folder: profile, facts, map of defects and figures."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from fourlight import __version__
from fourlight.errors import OutputError
from fourlight.io.fits_writing import write_planes
from fourlight.io.room import whole, writing
from fourlight.io.scan import files_below
from fourlight.pipeline.folder import check_apart
from fourlight.pipeline.outputs import write_json
from fourlight.report.figure_dark import dark_figure, defects_figure
from fourlight.report.figure_style import write_figure
from fourlight.report.figure_transfer import linearity_figure, transfer_figure
from fourlight.sensor.profile import dumps
from fourlight.stages.camera_maps import Defect
from fourlight.stages.camera_results import Found, profile_of
from fourlight.stages.profile_defects import DEFECTS, MOSAIC

__all__ = ["PROFILE", "camera_folder", "write_camera"]

PROFILE = "camera.toml"


@contextmanager
def camera_folder(out: Path | None, raw: Sequence[Path]) -> Iterator[None]:
    """Make the folder, apart from raw frames, before the work; where nothing comes to be in it, it goes again.

    Raises
    ------
    OutputError
        It is a file, lies among raw frames, holds some though they were not named, or cannot be made.
    """
    if out is None:
        yield
        return
    if os.path.exists(out) and not os.path.isdir(out):
        raise OutputError(f"{out}: is a file; name a folder for the profile")
    check_apart(out, [*raw, *_frames_below(out)])
    missing = [place for place in (out, *out.parents) if not os.path.exists(place)]
    with writing(out):
        out.mkdir(parents=True, exist_ok=True)
    try:
        yield
    finally:
        for place in missing:  # what holds anything stays
            with suppress(OSError):
                place.rmdir()


def _frames_below(out: Path) -> list[Path]:
    """Raw frames below a folder, the map of defects of an earlier measuring left aside."""
    return [path for path in files_below(out) if path.name != DEFECTS] if os.path.isdir(out) else []


def write_camera(out: Path, found: Found, facts: dict[str, Any]) -> list[Path]:
    """Write everything; the profile last, so that it stands for a complete folder.

    Raises
    ------
    OutputError
        The folder cannot be written to.
    """
    paths = [out / "camera.json"]
    write_json(paths[0], facts)
    if found.defects is not None:
        paths.append(out / DEFECTS)
        write_planes(
            paths[-1],
            {
                "CREATOR": (f"fourlight {__version__}", "program that made this file"),
                "INSTRUME": (_plain(found.camera.name), "camera"),
            },
            [
                (
                    "DEFECTS",
                    found.defects,
                    {f"BIT{kind.value}": (str(kind.name), "") for kind in Defect if kind}
                    | {MOSAIC: (found.camera.mosaic, "pattern in array order")},
                )
            ],
        )
    paths += write_figure(out, "photon-transfer", transfer_figure(facts))
    if facts["linearity"]:
        paths += write_figure(out, "linearity", linearity_figure(facts))
    if any(current["temperature_c"] is not None for current in facts["currents"]):
        paths += write_figure(out, "dark-current", dark_figure(facts))
    if found.defects is not None:
        paths += write_figure(out, "defects", defects_figure(found.defects, facts))
    paths.append(out / PROFILE)
    with whole(paths[-1]) as part:
        part.write_text(dumps(profile_of(found)), encoding="utf-8", newline="")
    return paths


def _plain(text: str) -> str:
    """Text as a FITS card may hold it (FITS 4.0 section 4.2.1.1)."""
    return "".join(c if " " <= c <= "~" else "?" for c in text)[:60]
