"""Where subs of a night become rows, lines, charts and pictures, and where the state on the disk is kept."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from fourlight.errors import StageError
from fourlight.frames import NoiseModel, RawFrame, SetAside
from fourlight.pipeline import live_renewal, live_rows, live_state
from fourlight.pipeline.lights import gain_words
from fourlight.pipeline.live_picture import final, shown, write_shown
from fourlight.pipeline.live_stack import FIRST, LiveStack
from fourlight.pipeline.watch_files import Night, write_charts, write_facts
from fourlight.report.watch_words import alarm_words, over_words, sub_words
from fourlight.stages.live_alarms import Alarm, Watchman

__all__ = ["Desk", "Telling"]

SAVED_EVERY = 20
"""Subs between one state on the disk and the next."""
CHART_S = 15.0
"""Least time between charts and pages."""
FIRST_PICTURE = 2
"""Subs of the first picture where no other waits; else it comes when the ground is complete."""
PICTURE_S, PICTURE_SHARE = 60.0, 0.1
"""Least time between pictures, and the most of the time that they may take."""


class Telling(Protocol):
    """Who is told, line by line."""

    def line(self, what: str, text: str) -> None:
        """A line under a heading."""


@dataclass(slots=True)
class Desk:
    """The night as far as it has come."""

    stack: LiveStack
    night: Night
    telling: Telling
    clock: Callable[[], float]
    watchman: Watchman = field(default_factory=Watchman)
    saved: int = 0
    charted: int = 0
    """Subs in the last chart; so with the other two."""
    pictured: int = 0
    chart_s: float = -math.inf
    """When the last chart was done."""
    picture_s: float = -math.inf
    picture_took_s: float = 0.0
    noise: NoiseModel | None = None
    """As it was told last."""

    @property
    def root(self) -> Path:
        """OUT."""
        return self.stack.job.folder.root

    def resume(self) -> list[Path]:
        """Go on from the state on the disk; the subs that an earlier watch looked at after it, in their order."""
        earlier, live = list(self.night.rows), self.stack.job.folder.live
        if not earlier:
            return []
        rows = live_state.load_rows(live)
        self.night.rows = rows if rows is not None and live_state.load_stack(self.stack, live) else []
        kept = {row["path"] for row in self.night.rows}
        again = [Path(row["path"]) for row in earlier if row["path"] not in kept]
        for row in self.night.rows:
            live_rows.watched(self.watchman, row)
        self.night.alarms = self.watchman.alarms
        self.night.over = [alarm for alarm in self.watchman.alarms if alarm.until is not None]
        self.saved = len(self.night.rows)
        lost = [path.name for path in again if not path.exists()]
        gone = f"; {len(lost)} of them are gone ({lost[0]}), and with them their light" if lost else ""
        more = f"; {len(again)} after it are looked at again{gone}" if again else ""
        self.telling.line("going on", f"with the {len(self.night.rows)} subs of the earlier watch{more}")
        return again

    def take(self, found: RawFrame | SetAside, where: dict[str, Any]) -> None:
        """A sub becomes a row, whatever becomes of it, and is told of."""
        self._add(found, where)
        row = self.night.rows[-1]
        self._tell(row, live_rows.watched(self.watchman, row))
        write_facts(self.root, self.night, self.stack)
        if self.charted < len(self.night.rows) - 1:  # others are waiting
            self._chart()
        if self.stack.begun and (len(self.night.rows) - self.saved >= SAVED_EVERY or not self.saved):
            self._save()
        if self.stack.begun and self._picture_due():
            self._picture()

    def renew(self, row: dict[str, Any], found: RawFrame | SetAside, where: dict[str, Any]) -> None:
        """A sub that is used was written again: it is taken as it is now, or set aside, or stays as it was taken."""
        row |= {name: where[name] for name in ("bytes", "mtime_ns")}
        aside = live_renewal.renew(self.stack, found)
        became = "it counts once, and its light stays as it was taken"
        if aside is not None:
            row |= {"sha256": where["sha256"]}
            became = "it counts once, and its light is taken as it is now, with the other first ones"
            if any(item.path == found.path for item in aside):
                became = "its light leaves the stack"
            elif isinstance(found, RawFrame):
                row |= live_rows.header_facts(found)
        self.telling.line("changed", f"{row['file']} was written again; {became}")
        if aside is not None:
            self._set_aside(aside)
            self._tell_camera()
            self._renew()
            self.night.alarms = self.watchman.alarms

    def _add(self, found: RawFrame | SetAside, where: dict[str, Any]) -> None:
        """Add a sub to the stack, and its row to the others."""
        job, rows = self.stack.job, self.night.rows
        if isinstance(found, SetAside):
            rows.append(live_rows.aside_row(found, self._variance(), where))
            return
        job.names[found.path] = found.path.name
        known = len(job.set_aside)
        laying = not self.stack.begun
        if laying and not rows:
            self.telling.line(
                "preparing",
                f"masters of {len(self.stack.others)} calibration frames and the first light; the first {FIRST} subs "
                "are looked at together, which takes longer",
            )
        taken = self.stack.take(found)
        del job.set_aside[known:]
        self._set_aside([item for item in taken.aside if item.path != found.path])
        self._tell_camera()
        if laying:
            self._renew(found.path)
        own = next((item for item in taken.aside if item.path == found.path), None)
        variance = self._variance()
        if taken.frame is None:
            item = own or SetAside(found.path, "register", "it could not be used")
            rows.append(live_rows.aside_row(item, variance, where))
        else:
            assert variance is not None
            rows.append(live_rows.used_row(taken.frame, taken.density, variance, where))

    def _set_aside(self, items: Sequence[SetAside]) -> None:
        """Earlier subs that turn out to be unfit."""
        rows = self.night.rows
        last = {row["path"]: k for k, row in enumerate(rows)}
        for item in items:
            k = last.get(str(item.path))
            if k is None:  # a calibration frame
                continue
            rows[k] = live_rows.aside_row(item, None, rows[k])
            self.telling.line("set aside", f"{item.path.name}: {item.reason}")

    def _tell_camera(self) -> None:
        """How lights are calibrated, where that has changed."""
        ground = self.stack.ground
        if ground is None or ground.calibration.noise == self.noise:
            return
        self.noise = ground.calibration.noise
        masters = ", ".join(ground.calibration.description["masters"]) or "no calibration frames"
        self.telling.line("camera", f"{gain_words('', self.noise)}; {masters}")

    def _renew(self, new: Path | None = None) -> None:
        """Tell subs of the ground anew, whose light is held against another reference now.

        Of a ``new`` one there is no row yet, but for what it was before its file was written again.
        """
        ground = self.stack.ground
        laid = () if ground is None else zip(ground.frames, ground.density, strict=True)
        found = {str(frame.measured.raw.path): (frame, density) for frame, density in laid}
        found.pop(str(new), None)
        last = {row["path"]: k for k, row in enumerate(self.night.rows)}
        for path, (frame, density) in found.items():
            row = self.night.rows[last[path]]
            self.night.rows[last[path]] = live_rows.used_row(frame, density, row["variance"], row)
        self.watchman = Watchman()
        for row in self.night.rows:
            live_rows.watched(self.watchman, row)

    def _variance(self) -> Any:
        return self.stack.sums.variances() if self.stack.sums is not None else None

    def _tell(self, row: dict[str, Any], raised: Sequence[Alarm]) -> None:
        """A line for the sub, and one for each alarm that begins or is over."""
        rows, number = self.night.rows, len(self.night.rows)
        self.telling.line(
            f"sub {number}",
            sub_words(row, rows, self.night.target, live_rows.outlook(rows, self.night.target)),
        )
        for alarm in raised:
            self.telling.line("ALARM", alarm_words(alarm, rows))
        for alarm in self.watchman.alarms:
            if alarm.until is not None and alarm not in self.night.over:
                self.night.over.append(alarm)
                self.telling.line("over", over_words(alarm, rows))
        self.night.alarms = self.watchman.alarms

    def idle(self) -> None:
        """What can wait until no sub does."""
        if self.charted < len(self.night.rows):
            self._chart()
        if self.stack.count >= FIRST_PICTURE and self._picture_due():
            self._picture()

    def _picture_due(self) -> bool:
        least = max(PICTURE_S, self.picture_took_s / PICTURE_SHARE)
        return self.pictured < len(self.night.rows) and self.clock() - self.picture_s >= least

    def _picture(self) -> None:
        begun = self.clock()
        made = shown(self.stack, self.night.rows)
        self.night.target = made.target or self.night.target
        self.night.noise_ratio, self.night.why = made.noise_ratio, made.why
        write_shown(made, self.stack)
        self.pictured, self.picture_s = len(self.night.rows), self.clock()
        self.picture_took_s = self.picture_s - begun
        write_facts(self.root, self.night, self.stack)
        self._chart()

    def _chart(self) -> None:
        """Draw the chart, unless that was done a moment ago."""
        if self.clock() - self.chart_s < CHART_S:
            return
        write_charts(self.root, self.night, self.stack)
        self.charted, self.chart_s = len(self.night.rows), self.clock()

    def _save(self) -> None:
        live_state.save(self.stack, self.night.rows, self.stack.job.folder.live)
        self.saved = len(self.night.rows)

    def end(self) -> dict[str, Any]:
        """Leave the picture, and the state for a watch that goes on."""
        if self.stack.count == 0:
            reasons = [
                f"{row['file']}: {row['reason']}" for row in self.night.rows if row["status"] != "used"
            ]
            why = f" ({'; '.join(reasons[:3])})" if reasons else ""
            raise StageError(
                "watch", None, "the night ended without a sub that could be used", f"one is needed{why}"
            )
        self._save()
        made = shown(self.stack, self.night.rows)
        self.night.target = made.target or self.night.target
        self.night.noise_ratio, self.night.why, self.night.ended = made.noise_ratio, made.why, True
        final(made, self.stack, self.night.rows)
        facts = write_facts(self.root, self.night, self.stack)
        write_charts(self.root, self.night, self.stack)
        return facts
