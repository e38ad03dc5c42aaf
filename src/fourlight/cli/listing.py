"""What ``fourlight inspect`` says of the frames that are there."""

from __future__ import annotations

import os
import sys
import textwrap
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.text import Text

from fourlight.cli.overview import overview
from fourlight.errors import FrameError, InputError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.io.pixels import PixelSource, open_pixels
from fourlight.io.scan import Scan, scan
from fourlight.pipeline.outlook import Outlook, outlook
from fourlight.pipeline.outputs import plain_json
from fourlight.recipe import Recipe
from fourlight.stages.groups import counted
from fourlight.stages.mosaic import MosaicDecision, decide

__all__ = ["show"]

UNBROKEN = 100_000
"""Letters in a line of a file or a pipe, where a next program or a wide window may read it."""


def show(nights: Sequence[Path], *, as_json: bool) -> None:
    """Say what is there, in the terminal or as one JSON document.

    Raises
    ------
    InputError
        A run on these frames would be refused.
    """
    found = scan([Path(os.path.abspath(path)) for path in nights])
    ahead = outlook(found, Recipe())
    mosaics = _mosaics(found.frames)
    if as_json:
        sys.stdout.write(plain_json(_document(found, ahead, mosaics)) + "\n")
    else:
        _print(found, ahead, mosaics, _screen())
    if ahead.refused:
        raise InputError(f"a run would be refused: {ahead.refused if as_json else ahead.refused_briefly}")


def _screen() -> Console:
    """The terminal; where the text goes elsewhere, as wide as any line."""
    return Console() if sys.stdout.isatty() else Console(width=UNBROKEN)


def _samples(frame: RawFrame) -> PixelSource:
    return open_pixels(frame, None)


def _mosaics(frames: Iterable[RawFrame]) -> dict[str, MosaicDecision | str]:
    """Mosaic of the lights of each camera and size, checked on pixels; or why it cannot be found."""
    groups: dict[str, list[RawFrame]] = defaultdict(list)
    for frame in frames:
        if frame.role is Role.LIGHT:
            groups[f"{_camera(frame.camera or '')}, {frame.nx} x {frame.ny}"].append(frame)
    found: dict[str, MosaicDecision | str] = {}
    for name, lights in groups.items():
        try:
            found[name] = decide(lights, _samples, "auto")
        except (InputError, FrameError) as error:
            found[name] = str(error)
    return found


def _camera(name: str) -> str:
    """A camera as the one it is: some headers hold a word there that says nothing by itself."""
    return name if "camera" in name.lower() else f"camera {name}".strip()


def _document(found: Scan, ahead: Outlook, mosaics: dict[str, MosaicDecision | str]) -> dict[str, Any]:
    return {
        "refused": ahead.refused or None,
        "problems": list(ahead.problems),
        "frames": [_record(frame) for frame in _marked(found, ahead)],
        "set_aside": [_record(item) for item in found.set_aside],
        "mosaics": {
            name: {"problem": decision} if isinstance(decision, str) else asdict(decision)
            for name, decision in mosaics.items()
        },
        "notes": list(found.notes),
    }


def _marked(found: Scan, ahead: Outlook) -> list[RawFrame]:
    """Frames with what a run would set them aside for among their problems."""
    reasons = {item.path: item.reason for item in ahead.set_aside}
    return [
        replace(frame, problems=(*frame.problems, reasons[frame.path])) if frame.path in reasons else frame
        for frame in found.frames
    ]


def _record(item: RawFrame | SetAside) -> dict[str, Any]:
    return {name: _plain(value) for name, value in asdict(item).items()}


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat()
    return str(value) if isinstance(value, Path) else value


def _print(found: Scan, ahead: Outlook, mosaics: dict[str, MosaicDecision | str], console: Console) -> None:
    """The table of groups, then everything that is odd."""
    if found.frames:
        table, common = overview(found.frames, console.width)
        console.print(table)
        if common:
            console.print(Text(f"all of them: {common}"))
    console.print(_counts(found.frames), style="bold")
    for name, decision in mosaics.items():
        if decision == ahead.refused:  # the last line says it
            continue
        console.print(Text(f"mosaic of {name}: {_mosaic_line(decision)}"))
    for note in found.notes:
        console.print(Text(f"assumed: {note}"))
    if ahead.problems:
        console.print("problems", style="bold")
    for problem in ahead.problems:
        lines = textwrap.wrap(problem, console.width, subsequent_indent="    ", break_on_hyphens=False)
        console.print(Text("\n".join(lines)))


def _counts(frames: Sequence[RawFrame]) -> str:
    total = Counter(frame.role for frame in frames)
    counts = ", ".join(counted(total[role], role) for role in Role if total[role]) or "no frames"
    if not total[Role.LIGHT]:
        return counts
    nights = len({frame.night for frame in frames if frame.role is Role.LIGHT and frame.night})
    return f"{counts}; " + (
        f"{nights} night{'s' * (nights != 1)} with lights" if nights else "no night known"
    )


def _mosaic_line(decision: MosaicDecision | str) -> str:
    if isinstance(decision, str):
        return decision
    return f"{decision.pattern} ({decision.source}); {decision.contradiction or decision.evidence}"
