"""Lights of a run to look at: a row of numbers for each, used or set aside, and small pictures of the raw frames."""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fourlight.errors import InputError
from fourlight.io.unreadable import unreadable
from fourlight.pipeline.finished import check_there
from fourlight.pipeline.products import read_json
from fourlight.pipeline.raw_pictures import RawPictures, raw_pictures
from fourlight.report.aside import kind, table
from fourlight.report.moments import Moment, green, mean_known, moments
from fourlight.report.planes import unit
from fourlight.report.remarks import meanings

__all__ = ["ShownLights", "light_rows"]

HELD = 12
"""Lights whose pictures are kept, of some 0.4 MB each."""


def light_rows(summary: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Rows of the lights in order of time, numbers of colours as means of both greens; None where not known."""
    return [_row(moment) for moment in moments(summary)]


def _row(moment: Moment) -> dict[str, Any]:
    frame = moment.frame
    return {
        "file": _name(moment.file),
        "night": moment.night or None,
        "time": moment.time or None,
        "filter": frame.get("filter"),
        "exposure_s": frame.get("exposure_s"),
        "stars": frame.get("stars"),
        **{key: green(frame, key) for key in ("fwhm_px", "elongation", "sky", "transparency")},
        "weight": mean_known(list((frame.get("weight") or {}).values())),
        "flags": list(frame.get("flags") or ()),
        "reason": None if moment.reason is None else _name(moment.reason),
    }


def _name(text: str) -> str:
    """A name of a file, whose bytes that are no letters become escapes, as everywhere in the results."""
    return text.encode("utf-8", "backslashreplace").decode()


class ShownLights:
    """Lights of the results in a folder, read anew when they have changed; safe for several threads.

    Parameters
    ----------
    folder : Path
        Of the results of a run.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock, self._drawing = threading.Lock(), threading.Lock()
        self._read: tuple[str, dict[str, Any]] = ("", {})
        self._pictures: OrderedDict[tuple[str, int], RawPictures] = OrderedDict()

    def facts(self) -> dict[str, Any]:
        """Rows, what their units and remarks mean, and what else was set aside.

        Raises
        ------
        InputError
            The summary of the run is gone.
        """
        version, summary = self._summary()
        rows = light_rows(summary)
        others = [item for item in summary.get("set_aside") or () if kind(item) != "light"]
        return {
            "version": version,
            "unit": unit(summary),
            "lights": rows,
            "remarks": dict(meanings(rows)),
            "others": [
                {key: _name(text) for key, text in row.items()} for row in table({"set_aside": others})
            ],
        }

    def items(self) -> tuple[str, list[Mapping[str, Any]]]:
        """Version of the rows, and what the summary holds of the light in each.

        Raises
        ------
        InputError
            The summary of the run is gone.
        """
        version, summary = self._summary()
        by_name = {item.get("file"): item for item in _items(summary)}
        return version, [by_name.get(moment.file) or {} for moment in moments(summary)]

    def pictures(self, version: str, number: int) -> RawPictures | None:
        """Pictures of the light in a row, or None where the rows are no longer those of a version.

        One frame is read at a time, so that memory holds one at most.

        Raises
        ------
        InputError, FrameError
            There is no such light, or its raw frame is gone or cannot be read.
        """
        now, order = self.items()
        if now != version:
            return None
        if not 0 <= number < len(order):
            raise InputError(f"there is no light number {number}; there are {len(order)}")
        with self._drawing:
            key = (version, number)
            if key not in self._pictures:
                self._pictures[key] = raw_pictures(_raw_file(order[number]))
            self._pictures.move_to_end(key)
            while len(self._pictures) > HELD:
                self._pictures.popitem(last=False)
            return self._pictures[key]

    def _summary(self) -> tuple[str, dict[str, Any]]:
        path = self._folder / "summary.json"
        try:
            state = path.stat()
        except OSError as error:
            check_there(self._folder)
            raise unreadable(path, error, "make the run again") from None
        version = hashlib.sha256(f"{state.st_size} {state.st_mtime_ns}".encode()).hexdigest()[:16]
        with self._lock:
            if self._read[0] != version:
                self._read = (version, read_json(path))
            return self._read


def _items(summary: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [*(summary.get("frames") or ()), *(summary.get("set_aside") or ())]


def _raw_file(item: Mapping[str, Any]) -> Path:
    """Where the raw frame of a light lies, by the record of the run."""
    stated = str(item.get("path") or "")
    path = Path(stated)
    if not stated or not path.is_file():
        where = f"at {_name(stated)}" if stated else "where it was"
        raise InputError(f"The raw frame is no longer {where}; the numbers are those that the run measured.")
    return path
