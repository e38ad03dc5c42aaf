"""A night that goes on: subs are added to a running stack as they come, and what they show is told at once."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fourlight.engine import Silent, thread_count
from fourlight.errors import InputError
from fourlight.frames import RawFrame, Role, SetAside
from fourlight.io.scan import Scan, files_below, scan
from fourlight.pipeline import live_rows
from fourlight.pipeline.arrivals import Arrivals, Pending
from fourlight.pipeline.cache import digest
from fourlight.pipeline.claim import claimed
from fourlight.pipeline.folder import check_apart
from fourlight.pipeline.job import Job
from fourlight.pipeline.kept import settings_key
from fourlight.pipeline.live_desk import Desk, Telling
from fourlight.pipeline.live_stack import LiveStack
from fourlight.pipeline.profile import with_profile_path
from fourlight.pipeline.watch_files import Night, earlier_night
from fourlight.provenance import file_hash
from fourlight.recipe import Recipe

__all__ = ["Ends", "watch"]

POLL_S = 1.0


class _Nobody(Silent):
    def line(self, what: str, text: str) -> None:
        """Do nothing."""


@dataclass(frozen=True, slots=True)
class Ends:
    """What ends a watch by itself; 0: nothing of the kind."""

    subs: int = 0
    """Subs in all, those that are set aside counted."""
    hours: float = 0.0
    """Since the watch began."""
    idle_min: float = 0.0
    """Without a new sub, once there was one."""


def watch(
    folder: Path, out: Path, recipe: Recipe, *, calibration: Sequence[Path] = (), ends: Ends | None = None,
    telling: Telling | None = None, ended: Callable[[], bool] = lambda: False,
    wait: Callable[[float], object] = time.sleep, clock: Callable[[], float] = time.monotonic,
) -> dict[str, Any]:  # fmt: skip
    """Watch a folder until the night ends, and return what ``watch.json`` then holds.

    Parameters
    ----------
    folder : Path
        Where subs arrive; it is only ever read.
    out : Path
        Folder for results; that of an earlier watch of the same folder goes on.
    recipe : Recipe
    calibration : sequence of Path
        Files and folders of darks, flats and bias frames; those below ``folder`` count too. A night that goes on keeps
        those that were there when it began.
    ends : Ends or None
    telling : Telling or None
        Is told a line for every sub and alarm.
    ended : callable
        Whether somebody asks for the end.
    wait, clock : callable
        Seconds to wait, and seconds that never jump.

    Raises
    ------
    InputError, OutputError, RecipeError
        What was named cannot be watched.
    StageError
        The night ended without a sub that could be used.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: no such folder; name the one in which the subs arrive")
    folder = Path(os.path.abspath(folder))
    named = sorted({Path(os.path.abspath(path)) for path in calibration})
    check_apart(out, [folder, *named])
    recipe = with_profile_path(recipe)
    there = _others(folder, named, recipe)
    with claimed(out) as place:
        key = digest(settings_key(recipe), recipe.finish.model_dump(), str(folder), list(map(str, named)))
        night = earlier_night(place, out, folder, key)
        night = night or Night(str(folder), key, [str(frame.path) for frame in there])
        others = _of_the_beginning(there, night, out)
        job = Job(recipe, Silent(), thread_count(recipe.run.threads), folder=place)
        job.names = {frame.path: frame.path.name for frame in others}
        desk = Desk(LiveStack(job, others), night, telling or _Nobody(), clock)
        _tell_later(desk, [frame for frame in there if folder not in frame.path.parents])
        looking = _Watch(desk, Arrivals(folder, recipe.read, clock), ended, wait, clock, ends or Ends())
        looking.go_on()
        return desk.end()


def _others(folder: Path, named: Sequence[Path], recipe: Recipe) -> list[RawFrame]:
    """Calibration frames that were named, and those that are below the folder already."""
    known = files_below(folder)
    found: list[Scan] = [scan(named, recipe.read)] if named else []
    if known:
        found.append(scan([folder], recipe.read))
    frames = {frame.path: frame for each in found for frame in each.frames if frame.role is not Role.LIGHT}
    if named and not any(frame.role is not Role.LIGHT for frame in found[0].frames):
        raise InputError(f"{named[0]}: holds no dark, flat or bias frame; name their folder, or leave it out")
    return [frames[path] for path in sorted(frames)]


def _of_the_beginning(there: Sequence[RawFrame], night: Night, out: Path) -> list[RawFrame]:
    """Calibration frames that were there when the night began: others would make another stack of it.

    Raises
    ------
    InputError
        One is gone.
    """
    found = {str(frame.path): frame for frame in there}
    gone = [path for path in night.calibration if path not in found]
    if gone:
        raise InputError(
            f"{gone[0]}: is gone, and is one of the calibration frames of the watch in {out}; put it back, or choose "
            "another folder"
        )
    return [found[path] for path in night.calibration]


def _tell_later(desk: Desk, there: Sequence[RawFrame]) -> None:
    """Tell of calibration frames outside the folder that came later; those in it are told when they are looked at."""
    later = [frame.path for frame in there if frame not in desk.stack.others]
    if later:
        many = f" and {len(later) - 1} more" if len(later) > 1 else ""
        desk.telling.line(
            "not used", f"{later[0].name}{many}: calibration frames that were there at the start count"
        )


@dataclass(slots=True)
class _Watch:
    """The state of a watch."""

    desk: Desk
    arrivals: Arrivals
    ended: Callable[[], bool]
    wait: Callable[[float], object]
    clock: Callable[[], float]
    ends: Ends
    begun_s: float = 0.0
    came_s: float | None = None
    """When the last sub was taken; None: none in this watch."""
    told_of: dict[Path, str] = field(default_factory=dict)
    """Files that are waited for, and why."""

    @property
    def rows(self) -> list[dict[str, Any]]:
        """Of all subs."""
        return self.desk.night.rows

    def go_on(self) -> None:
        """Until the night ends."""
        self.begun_s = self.clock()
        again = self.desk.resume()
        known = ((Path(row["path"]), (row["bytes"], row["mtime_ns"])) for row in self.rows)
        self.arrivals.know(known, next(iter(self.desk.stack.first), None))
        self.desk.telling.line(
            "watching", f"{self.arrivals.folder}; Ctrl-C ends the night and leaves the picture"
        )
        for path in again:
            if path.exists() and not self._over():
                self._look(path)
        while not self._over():
            ready = self.arrivals.poll()
            for path in ready:
                if self._over():
                    break
                self._look(path)
            self._gone()
            if not ready:
                self.desk.idle()
                self.wait(POLL_S)

    def _over(self) -> bool:
        ends, now = self.ends, self.clock()
        last = self.begun_s if self.came_s is None else self.came_s
        return (
            self.ended()
            or (ends.subs > 0 and len(self.rows) >= ends.subs)
            or (ends.hours > 0 and now - self.begun_s >= ends.hours * live_rows.HOUR_S)
            or (ends.idle_min > 0 and bool(self.rows) and now - last >= ends.idle_min * 60)
        )

    def _look(self, path: Path) -> None:
        """A file that is still: a sub, or something to wait for or to tell of."""
        found = self.arrivals.look(path)
        if found is None:
            return
        if isinstance(found, Pending):
            if self.told_of.get(path) != found.reason:
                self.desk.telling.line("waiting", f"for the rest of {path.name} ({found.reason})")
            self.told_of[path] = found.reason
            return
        self.told_of.pop(path, None)
        try:
            state, sha256 = path.stat(), file_hash(path)
        except OSError:  # gone between two looks
            return
        where = {"path": str(path), "file": path.name, "bytes": state.st_size, "mtime_ns": state.st_mtime_ns,
                 "sha256": sha256}  # fmt: skip
        if not self._counts(path, found, where):
            self._take(found, where)

    def _counts(self, path: Path, found: RawFrame | SetAside, where: dict[str, Any]) -> bool:
        """Whether a file is a sub that was taken before, by its content or by its name, and told of where it is."""
        alike = [row for row in self.rows if row["sha256"] == where["sha256"]]
        if isinstance(found, RawFrame):
            # What could not be read then may have been on a disk that is back now.
            alike = [row for row in alike if row["status"] == "used" or row["stage"] != "read"]
        twin = next(iter(alike), None)
        if twin is not None:
            if twin["path"] != str(path):
                self.desk.telling.line(
                    "known", f"{path.name} is {Path(twin['path']).name} under another name"
                )
            return True
        used = (row for row in self.rows if row["path"] == str(path) and row["status"] == "used")
        before = next(used, None)
        if before is None:
            return False
        self.desk.renew(before, found, where)
        return True

    def _take(self, found: RawFrame | SetAside, where: dict[str, Any]) -> None:
        """A sub becomes a row, whatever becomes of it."""
        if isinstance(found, SetAside) and found.role not in (None, Role.LIGHT):
            return
        now = self.clock()
        raw = found if isinstance(found, RawFrame) else None
        if raw is not None and raw.role is not Role.LIGHT:
            if raw.path in {frame.path for frame in self.desk.stack.others}:
                return
            self.desk.telling.line(
                "not a light", f"{raw.path.name} is a {raw.role}; those count that are there at the start"
            )
            return
        arrived = None if self.came_s is None else now - self.came_s
        self.came_s = now
        time_s, jump = (0.0, None)
        if raw is not None:
            time_s, jump = live_rows.next_time_s(self.rows, raw, arrived)
        elif self.rows:
            time_s = self.rows[-1]["time_s"] + (arrived or 0.0)
        where |= {"time_s": time_s, **live_rows.header_facts(raw)}
        if jump is not None and abs(jump) > 1:
            self.desk.telling.line(*live_rows.jump_words(self.rows, where, jump))
        self.desk.take(found, where)

    def _gone(self) -> None:
        """Tell of subs that somebody took away."""
        rows, lost = {row["path"]: row for row in self.rows}, []
        for path in self.arrivals.gone():
            row = rows.get(str(path))
            if row is not None and not row.get("gone"):
                row["gone"] = True
                lost.append(row)
        if lost:
            many = len(lost) > 1
            names = (
                f"{lost[0]['file']} to {lost[-1]['file']} ({len(lost)} subs) are"
                if many
                else f"{lost[0]['file']} is"
            )
            stays = f"; {'their' if many else 'its'} light stays in the stack"
            used = any(row["status"] == "used" for row in lost)
            self.desk.telling.line("gone", f"{names} no longer there{stays if used else ''}")
