"""The running stack on disk, from which a watch that ended without a word goes on."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from fourlight import __version__
from fourlight.frames import MeasuredFrame, RawFrame, Role
from fourlight.io.pixels import open_pixels
from fourlight.io.room import whole, writing
from fourlight.json_text import json_of
from fourlight.pipeline import cache
from fourlight.pipeline.kept import calibration_facts, calibration_from
from fourlight.pipeline.live_stack import Ground, LiveStack
from fourlight.stages.mosaic import MosaicDecision
from fourlight.stages.table import Sampling

__all__ = ["load_rows", "load_stack", "save"]

LAYOUT = 2
"""Raised where what was kept before can no longer be read."""
STATE, SUMS = "state.json", "sums.bin"


def save(stack: LiveStack, rows: list[dict[str, Any]], folder: Path) -> None:
    """Write the sums, and what is known of the lights in them; what was there before counts until all is written."""
    ground, sums = stack.ground, stack.sums
    if not stack.begun or ground is None or sums is None:
        return
    place = folder / _name(rows)
    with writing(place):
        place.mkdir(parents=True, exist_ok=True)
    sums.save(place / SUMS)
    for number, frame in enumerate(ground.frames):
        cache.save(place / f"{number}.npz", frame.measured)
    facts = {
        "layout": LAYOUT, "fourlight": __version__, "rows": rows, "count": stack.count, "frames": sums.frames,
        "claim": sums.claim, "pixfrac": sums.pixfrac, "mosaic": asdict(ground.mosaic),
        "reference": str(ground.reference.raw.path), "calibration": calibration_facts(ground.calibration),
        "first": [_raw_facts(frame.measured.raw) for frame in ground.frames],
        "sampling": [_plain_sampling(each) for each in ground.sampling],
    }  # fmt: skip
    with whole(folder / STATE) as part:  # no plain JSON: levels may be infinite
        part.write_text(json.dumps(facts), encoding="utf-8")
    for old in folder.iterdir():
        if old.is_dir() and old != place:
            shutil.rmtree(old, ignore_errors=True)


def _name(rows: Sequence[Mapping[str, Any]]) -> str:
    """Of the folder for a state: no two of other subs have the same, however many they are."""
    return f"{len(rows)}-{cache.digest([(row['sha256'], row['status']) for row in rows])[:8]}"


def load_rows(folder: Path) -> list[dict[str, Any]] | None:
    """What `save` wrote of the lights; None where there is nothing that can be gone on from."""
    facts = _facts(folder)
    return None if facts is None else list(facts["rows"])


def load_stack(stack: LiveStack, folder: Path) -> bool:
    """Bring a stack to where `save` left it; whether that was possible. If not, it must be begun anew."""
    facts = _facts(folder)
    if facts is None:
        return False
    try:
        _restore(stack, facts, folder)
    except Exception:  # only a short cut: whatever is wrong with it, the lights are looked at again
        stack.first, stack.ground, stack.sums, stack.count = [], None, None, 0
        return False
    return True


def _facts(folder: Path) -> dict[str, Any] | None:
    try:
        facts = json_of((folder / STATE).read_text(encoding="utf-8"))
        same = facts["layout"] == LAYOUT and facts["fourlight"] == __version__
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return facts if same else None


def _restore(stack: LiveStack, facts: Mapping[str, Any], folder: Path) -> None:
    job = stack.job
    first = [_raw(each) for each in facts["first"]]
    job.names |= {frame.path: frame.path.name for frame in first}
    place = folder / _name(facts["rows"])
    frames = [cache.load(place / f"{k}.npz", raw) for k, raw in enumerate(first)]
    known = [frame for frame in frames if isinstance(frame, MeasuredFrame)]
    sampling = tuple(Sampling(**_sampling_arrays(each)) for each in facts["sampling"])
    calibration = calibration_from(
        facts["calibration"], job.folder.masters, partial(open_pixels, decoded=None)
    )
    before = len(job.set_aside)
    reference, placed = stack.placed(known)
    del job.set_aside[before:]
    if str(reference.raw.path) != facts["reference"] or [f.measured.raw.path for f in placed] != [
        f.path for f in first
    ]:
        raise ValueError("other lights")
    table = stack.table(placed, reference, sampling)
    stack.first = first
    stack.ground = Ground(
        calibration,
        MosaicDecision(**facts["mosaic"]),
        reference,
        tuple(placed),
        sampling,
        table.sky,
        table.density,
    )
    stack.room(reference)
    assert stack.sums is not None
    stack.sums.load(place / SUMS)
    stack.sums.frames, stack.sums.claim, stack.count = facts["frames"], facts["claim"], facts["count"]


def _raw_facts(frame: RawFrame) -> dict[str, Any]:
    found = {each.name: getattr(frame, each.name) for each in fields(frame)}
    return found | {
        "path": str(frame.path),
        "role": str(frame.role),
        "time": frame.time.isoformat() if frame.time else None,
    }


def _raw(facts: Mapping[str, Any]) -> RawFrame:
    moment = datetime.fromisoformat(facts["time"]) if facts["time"] else None
    tuples = {
        "unread": tuple((str(a), str(b)) for a, b in facts["unread"]),
        "problems": tuple(facts["problems"]),
        "blank_rows": tuple((int(a), int(b)) for a, b in facts["blank_rows"]),
    }
    return RawFrame(
        **{**facts, "path": Path(facts["path"]), "role": Role(facts["role"]), "time": moment, **tuples}
    )


def _plain_sampling(sampling: Sampling) -> dict[str, Any]:
    found = asdict(sampling)
    return found | {name: found[name].tolist() for name in ("cell", "common", "response")}


def _sampling_arrays(facts: Mapping[str, Any]) -> dict[str, Any]:
    arrays = {"cell": np.array(facts["cell"], dtype=np.int64)}
    arrays |= {name: np.array(facts[name], dtype=np.float64) for name in ("common", "response")}
    return {**facts, **arrays}
