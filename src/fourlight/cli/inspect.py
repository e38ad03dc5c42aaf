"""``fourlight inspect``: what is there."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from fourlight.errors import FrameError, InputError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.io.pixels import open_pixels
from fourlight.io.scan import Scan, scan
from fourlight.stages.groups import counted
from fourlight.stages.mosaic import MosaicDecision, decide

__all__ = ["inspect"]

LISTED = 6
"""Names shown of files with the same problem."""
JUMP_C = 3.0


def inspect(
    nights: Annotated[list[Path], typer.Argument(help="Files or folders of raw frames, searched through.")],
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON document with every frame instead.")
    ] = False,
) -> None:
    """Show what is there: role, night, exposure, gain, temperature, filter, mosaic, problems."""
    found = scan(nights)
    mosaics = _mosaics(found.frames)
    if as_json:
        typer.echo(json.dumps(_document(found, mosaics), indent=2))
    else:
        _print(found, mosaics, Console())
    if not found.frames:
        raise InputError(f"none of {len(found.set_aside)} files can be used; the reasons stand above")


def _mosaics(frames: Iterable[RawFrame]) -> dict[str, MosaicDecision | str]:
    """Mosaic of the lights of each camera and size, checked on pixels; or why it cannot be found."""
    groups: dict[str, list[RawFrame]] = defaultdict(list)
    for frame in frames:
        if frame.role is Role.LIGHT:
            groups[f"{frame.camera or 'camera'}, {frame.nx} x {frame.ny}"].append(frame)
    found: dict[str, MosaicDecision | str] = {}
    for name, lights in groups.items():
        try:
            found[name] = decide(lights, lambda frame: open_pixels(frame, None), "auto")
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
        console.print(_table(found.frames))
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


def _table(frames: Iterable[RawFrame]) -> Table:
    groups: dict[tuple[str, ...], list[RawFrame]] = defaultdict(list)
    for frame in frames:
        groups[_group(frame)].append(frame)
    rows = [
        (*key[:5], _temperatures(part), *key[5:], str(len(part)))
        for key in sorted(groups)
        for part in _by_temperature(groups[key])
    ]
    heads = (
        "night",
        "role",
        "told by",
        "exposure",
        "gain",
        "temp.",
        "filter",
        "mosaic",
        "size",
        "camera",
        "count",
    )
    right = {"exposure", "gain", "temp.", "count"}
    one_camera = len({row[heads.index("camera")] for row in rows}) == 1
    said = [head == "night" or any(row[n] != "-" for row in rows) for n, head in enumerate(heads)]
    shown = [n for n, head in enumerate(heads) if said[n] and not (head == "camera" and one_camera)]
    table = Table(box=None, header_style="bold", pad_edge=False)
    for n in shown:
        table.add_column(
            heads[n],
            justify="right" if heads[n] in right else "left",
            no_wrap=heads[n] not in ("camera", "filter"),
        )
    for row in rows:
        table.add_row(*(Text(row[n]) for n in shown))
    return table


def _group(frame: RawFrame) -> tuple[str, ...]:
    """What frames of one line of the table share besides temperature; '-' where nothing is known."""
    e_per_adu = _short(frame.gain_e_per_adu, " e/ADU")
    return (
        frame.night or "-",
        frame.role.value,
        frame.role_source,
        _short(frame.exposure_s, " s"),
        e_per_adu if frame.gain_setting is None else _short(frame.gain_setting),
        frame.filter_name or "-",
        frame.mosaic or "-",
        f"{frame.nx} x {frame.ny}",
        frame.camera or "-",
    )


def _by_temperature(frames: list[RawFrame]) -> list[list[RawFrame]]:
    """Frames parted where sorted temperatures jump by more than `JUMP_C`."""
    parts: list[list[RawFrame]] = []
    last: float | None = None
    for frame in sorted(frames, key=lambda frame: (frame.temperature_c is None, frame.temperature_c or 0.0)):
        now = frame.temperature_c
        if not parts or (now is None) != (last is None) or (now or 0.0) - (last or 0.0) > JUMP_C:
            parts.append([])
        parts[-1].append(frame)
        last = now
    return parts


def _temperatures(frames: list[RawFrame]) -> str:
    known = [round(frame.temperature_c) for frame in frames if frame.temperature_c is not None]
    if not known:
        return "-"
    return f"{known[0]} C" if known[0] == known[-1] else f"{known[0]} to {known[-1]} C"


def _short(value: float | None, unit: str = "") -> str:
    return "-" if value is None else f"{value:.6g}{unit}"


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
