"""The table of ``fourlight inspect``: frames that were taken alike in one line, as wide as the terminal at most."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from rich.table import Table
from rich.text import Text

from fourlight.frames import RawFrame

__all__ = ["overview"]

HEADS = (
    "night", "role", "told by", "exposure", "gain", "temp.", "filter", "mosaic", "size", "camera", "count",
)  # fmt: skip
RIGHT = ("exposure", "gain", "temp.", "count")
WORDY = ("filter", "camera")
"""Columns of free text, which may take more than one line."""
SPARED = ("size", "mosaic", "told by", "gain", "filter", "temp.", "exposure")
"""Columns that leave a table too wide for the terminal where all their cells say the same, in this order."""
GAP = 2
JUMP_C = 3.0


def overview(frames: Sequence[RawFrame], width: int) -> tuple[Table, str]:
    """Table of frames by what they share, and in words what all of them share where the table has no room for it.

    Parameters
    ----------
    frames : sequence of RawFrame
        At least one.
    width : int
        Letters in a line of the terminal.
    """
    columns = _columns(frames)
    spared = []
    for head in SPARED:
        if _width(columns) > width and len(set(columns.get(head, ("", "-")))) == 1:
            spared += [_said(head, columns.pop(head)[0])]
    table = Table(box=None, header_style="bold", pad_edge=False)
    for head in columns:
        table.add_column(
            head,
            justify="right" if head in RIGHT else "left",
            no_wrap=head not in WORDY,
            overflow="fold",
        )
    for row in zip(*columns.values(), strict=True):
        table.add_row(*(Text(cell) for cell in row))
    return table, ", ".join(spared)


def _columns(frames: Sequence[RawFrame]) -> dict[str, list[str]]:
    """Cells by heading; columns that say nothing and a camera that all share are left out."""
    groups: dict[tuple[str, ...], list[RawFrame]] = defaultdict(list)
    for frame in frames:
        groups[_group(frame)].append(frame)
    rows = [
        (*key[:5], _temperatures(part), *key[5:], str(len(part)))
        for key in sorted(groups)
        for part in _by_temperature(groups[key])
    ]
    columns = {head: [row[n] for row in rows] for n, head in enumerate(HEADS)}
    if len(set(columns["camera"])) == 1:
        del columns["camera"]
    return {head: cells for head, cells in columns.items() if head == "night" or set(cells) != {"-"}}


def _width(columns: dict[str, list[str]]) -> int:
    widths = [max(len(cell) for cell in (head, *cells)) for head, cells in columns.items()]
    return sum(widths) + GAP * (len(widths) - 1)


def _said(head: str, cell: str) -> str:
    return f"role told by {cell}" if head == "told by" else f"{head} {cell}"


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
