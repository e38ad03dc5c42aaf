"""``fourlight inspect``: what is there."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.text import Text

from fourlight.cli.overview import overview
from fourlight.engine import thread_count
from fourlight.errors import FrameError, InputError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.io.pixels import PixelSource, open_pixels
from fourlight.io.scan import Scan, scan
from fourlight.pipeline.gathering import foreseen
from fourlight.stages.groups import counted
from fourlight.stages.mosaic import MosaicDecision, decide

__all__ = ["inspect"]

LISTED = 6
"""Names shown of files with the same problem."""


def inspect(
    nights: Annotated[list[Path], typer.Argument(help="Files or folders of raw frames, searched through.")],
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON document with every frame instead.")
    ] = False,
) -> None:
    """Show what is there: role, night, exposure, gain, temperature, filter, mosaic, problems."""
    found = _marked(scan(nights))
    mosaics = _mosaics(found.frames)
    if as_json:
        typer.echo(json.dumps(_document(found, mosaics), indent=2))
    else:
        _print(found, mosaics, Console())
    if not found.frames:
        raise InputError(f"none of {len(found.set_aside)} files can be used; the reasons stand above")


def _marked(found: Scan) -> Scan:
    """Frames with what a run would say of them among their problems."""
    used, aside = foreseen(found.frames, _samples, thread_count(0))
    marked = {frame.path: frame for frame in used}
    reasons = {item.path: item.reason for item in aside}
    frames = [
        replace(frame, problems=(*frame.problems, reasons[frame.path]))
        if frame.path in reasons
        else marked[frame.path]
        for frame in found.frames
    ]
    return replace(found, frames=tuple(frames))


def _samples(frame: RawFrame) -> PixelSource:
    return open_pixels(frame, None)


def _mosaics(frames: Iterable[RawFrame]) -> dict[str, MosaicDecision | str]:
    """Mosaic of the lights of each camera and size, checked on pixels; or why it cannot be found."""
    groups: dict[str, list[RawFrame]] = defaultdict(list)
    for frame in frames:
        if frame.role is Role.LIGHT:
            groups[f"{frame.camera or 'camera'}, {frame.nx} x {frame.ny}"].append(frame)
    found: dict[str, MosaicDecision | str] = {}
    for name, lights in groups.items():
        try:
            found[name] = decide(lights, _samples, "auto")
        except (InputError, FrameError) as error:
            found[name] = str(error)
    return found


def _document(found: Scan, mosaics: dict[str, MosaicDecision | str]) -> dict[str, Any]:
    return {
        "frames": [_record(frame) for frame in found.frames],
        "set_aside": [_record(item) for item in found.set_aside],
        "mosaics": {
            name: {"problem": decision} if isinstance(decision, str) else asdict(decision)
            for name, decision in mosaics.items()
        },
        "notes": list(found.notes),
    }


def _record(item: RawFrame | SetAside) -> dict[str, Any]:
    return {name: _plain(value) for name, value in asdict(item).items()}


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat()
    return str(value) if isinstance(value, Path) else value


def _print(found: Scan, mosaics: dict[str, MosaicDecision | str], console: Console) -> None:
    """The table of groups, then everything that is odd."""
    if found.frames:
        table, common = overview(found.frames, console.width)
        console.print(table)
        if common:
            console.print(Text(f"all of them: {common}"))
    total = Counter(frame.role for frame in found.frames)
    counts = ", ".join(counted(total[role], role) for role in Role if total[role])
    nights = len({frame.night for frame in found.frames if frame.role is Role.LIGHT and frame.night})
    console.print(
        f"{counts or 'no frames'}; {nights} night{'' if nights == 1 else 's'} with lights", style="bold"
    )
    for name, decision in mosaics.items():
        console.print(Text(f"mosaic of {name}: {_mosaic_line(decision)}"))
    for note in found.notes:
        console.print(Text(f"assumed: {note}"))
    _print_lines(console, "to know", _problems(found.frames))
    _print_lines(console, "set aside", _reasons(found.set_aside))


def _mosaic_line(decision: MosaicDecision | str) -> str:
    if isinstance(decision, str):
        return decision
    return f"{decision.pattern} ({decision.source}); {decision.contradiction or decision.evidence}"


def _problems(frames: Iterable[RawFrame]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = defaultdict(list)
    for frame in frames:
        for problem in frame.problems:
            found[problem].append(frame.path.name)
    return found


def _reasons(items: Iterable[SetAside]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = defaultdict(list)
    for item in items:
        found[item.reason].append(str(item.path))
    return found


def _print_lines(console: Console, head: str, lines: dict[str, list[str]]) -> None:
    for sentence, names in lines.items():
        more = f" and {len(names) - LISTED} more" if len(names) > LISTED else ""
        console.print(Text(f"{head}: {', '.join(names[:LISTED])}{more}: {sentence}"))
