"""What a watch leaves in OUT while it goes on: facts, chart and page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from fourlight import __version__
from fourlight.errors import InputError, OutputError
from fourlight.io.room import whole
from fourlight.io.unreadable import unreadable
from fourlight.json_text import json_of
from fourlight.pipeline import live_rows, outputs
from fourlight.pipeline.folder import OutputFolder
from fourlight.pipeline.live_picture import PICTURE
from fourlight.pipeline.live_stack import LiveStack
from fourlight.report.figure_style import NARROW, WIDE, write_figure
from fourlight.report.figure_watch import watch_figure
from fourlight.report.watch_page import watch_page
from fourlight.stages.live_alarms import Alarm
from fourlight.stages.live_snr import Target

__all__ = ["CHART", "PAGE", "WATCH", "Night", "earlier_night", "write_charts", "write_facts"]

WATCH, PAGE, CHART = "watch.json", "watch.html", "watch"
OF_A_RUN = ("summary.json", "provenance.json", "report.html")
"""Files of other commands."""


@dataclass(slots=True)
class Night:
    """What is known of a night."""

    folder: str
    key: str
    """Hash of folder, settings and where calibration frames were named."""
    calibration: list[str] = field(default_factory=list)
    """Paths of calibration frames, those that were there when the night began."""
    rows: list[dict[str, Any]] = field(default_factory=list)
    alarms: list[Alarm] = field(default_factory=list)
    over: list[Alarm] = field(default_factory=list)
    """Alarms whose end was told."""
    target: Target | None = None
    noise_ratio: float = float("nan")
    why: str = ""
    """Why there is no picture."""
    ended: bool = False


def earlier_night(place: OutputFolder, out: Path, folder: Path, key: str) -> Night | None:
    """The night that OUT holds; None where it is free.

    Raises
    ------
    OutputError
        It holds the results of another command.
    InputError
        It is of another folder, or of other settings.
    """
    path = place.root / WATCH
    if not path.exists():
        found = [name for name in OF_A_RUN if (place.root / name).exists()]
        if found:
            raise OutputError(
                f"{out}: holds the results of another command ({found[0]}); choose another folder"
            )
        return None
    try:
        facts = json_of(path.read_text(encoding="utf-8"))
        before, rows = facts["folder"], list(facts["subs"])
        same, target, others = facts["key"] == key, facts["target"], list(facts["calibration"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise unreadable(path, error, "choose another folder") from None
    if before != str(folder):
        raise InputError(f"{out}: holds the watch of {before}; choose another folder for {folder}")
    if not same:
        raise InputError(
            f"{out}: holds a watch with other settings or calibration frames; give those, or choose another folder"
        )
    aim = None if target is None else Target(target["what"], np.array(target["signal"]), target["pixels"])
    return Night(before, key, others, rows, target=aim)


def write_facts(root: Path, night: Night, stack: LiveStack) -> dict[str, Any]:
    """Write ``watch.json`` and return what it holds."""
    facts = watch_facts(night, stack)
    outputs.write_json(root / WATCH, facts)
    return facts


def watch_facts(night: Night, stack: LiveStack) -> dict[str, Any]:
    """All that is known of the night, as plain data."""
    rows, target, ground = night.rows, night.target, stack.ground
    ahead = live_rows.outlook(rows, target)
    snr = live_rows.snr_of(rows, target).tolist() if target and rows else []
    used = [row for row in rows if row["status"] == "used"]
    share = (stack.sums.rejected / np.maximum(stack.sums.used, 1)).tolist() if stack.sums else None
    return dict(
        outputs.plain_data(
            {
                "fourlight": __version__,
                "folder": night.folder,
                "key": night.key,
                "calibration": night.calibration,
                "ended": night.ended,
                "used": len(used),
                "exposure_s": sum(row["exposure_s"] or 0.0 for row in used),
                "gap_s": live_rows.gap_s(rows),
                "object": ground.reference.raw.object_name if ground else None,
                "reference": ground.reference.raw.path.name if ground else None,
                "unit": ground.calibration.noise.unit if ground else None,
                "grid": {"zoom": stack.grid.zoom, "shape": list(stack.sums.shape)} if stack.sums else None,
                "target": _target_facts(target),
                "snr": snr,
                "another_hour": asdict(ahead) | {"snr": snr[-1] * ahead.ratio} if ahead and snr else None,
                "noise_between_halves": night.noise_ratio,
                "rejected_share": share,
                "no_picture": night.why,
                "alarms": [asdict(alarm) for alarm in night.alarms],
                "subs": rows,
            }
        )
    )


def _target_facts(target: Target | None) -> dict[str, Any] | None:
    if target is None:
        return None
    return {"what": target.what, "signal": target.signal.tolist(), "pixels": target.pixels}


def write_charts(root: Path, night: Night, stack: LiveStack) -> None:
    """Write the chart and the page that shows it."""
    facts: Mapping[str, Any] = watch_facts(night, stack)
    wide, narrow = watch_figure(facts, width=WIDE), watch_figure(facts, width=NARROW)
    write_figure(root, CHART, wide, vector=False)
    picture = root / PICTURE
    with whole(root / PAGE) as part:
        text = watch_page(facts, wide, narrow, picture if picture.exists() else None)
        part.write_text(text, encoding="utf-8", errors="backslashreplace")
