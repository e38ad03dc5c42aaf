"""Raw frames that come into a folder: which are new, whole and still, and which are gone.

No clock but one that never jumps is asked. A file counts as still where its size and date have not changed for a while,
whatever that date is, and as whole where every row of it can be read; until then it is waited for.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from fourlight.errors import FrameError
from fourlight.frames import RawFrame, SetAside
from fourlight.io.nights import going_on
from fourlight.io.pixels import open_pixels
from fourlight.io.scan import files_below, scan
from fourlight.recipe_read import Read
from fourlight.stages.blank import with_blank_rows

__all__ = ["PATIENCE_S", "SETTLE_S", "Arrivals", "Pending"]

SETTLE_S = 1.0
"""Without a change before a file is opened."""
PATIENCE_S = 60.0
"""Without a change before a file that is not whole is set aside."""

State = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Pending:
    """A file that is not whole yet."""

    reason: str


@dataclass(slots=True)
class _Seen:
    state: State
    since_s: float
    """When it was first seen like this."""
    opened: bool = False
    """Whether it was found not to be whole in this state."""


@dataclass(slots=True)
class Arrivals:
    """Files of one folder."""

    folder: Path
    read: Read
    clock: Callable[[], float] = time.monotonic
    settle_s: float = SETTLE_S
    patience_s: float = PATIENCE_S
    _seen: dict[Path, _Seen] = field(default_factory=dict)
    _done: dict[Path, State] = field(default_factory=dict)
    _gone: set[Path] = field(default_factory=set)
    _noons: dict[str, float] = field(default_factory=dict)
    """See `fourlight.io.nights.going_on`."""

    def poll(self) -> list[Path]:
        """Files that are still and were not looked at as they are now, oldest first."""
        there: dict[Path, State] = {}
        for path in files_below(self.folder):
            try:
                stat = path.stat()
            except OSError:  # gone while we looked
                continue
            there[path] = (stat.st_size, stat.st_mtime_ns)
        now, ready = self.clock(), []
        for path, state in there.items():
            if self._done.get(path) == state:
                continue
            seen = self._seen.get(path)
            if seen is None or seen.state != state:
                self._seen[path] = _Seen(state, now)
                continue
            still = now - seen.since_s
            if state[0] and (still >= self.patience_s if seen.opened else still >= self.settle_s):
                ready.append(path)
        for path in [path for path in self._seen if path not in there]:
            del self._seen[path]
        self._gone |= {path for path in self._done if path not in there}
        return sorted(ready, key=lambda path: (there[path][1], str(path)))

    def gone(self) -> list[Path]:
        """Files that were looked at and have gone since the last call."""
        found = sorted(path for path in self._gone)
        for path in found:
            del self._done[path]
        self._gone.clear()
        return found

    @property
    def waited_for(self) -> int:
        """Files that are there and not still, or not whole."""
        return len(self._seen)

    def look(self, path: Path) -> RawFrame | SetAside | Pending | None:
        """What a file that is still holds; `Pending` where it may become whole, None where it has gone."""
        state = _state(path)
        if state is None:
            return None
        found = self._opened(path)
        seen = self._seen.get(path)
        lasting = seen is not None and seen.opened and self.clock() - seen.since_s >= self.patience_s
        if isinstance(found, SetAside) and not lasting and _state(path) is not None:
            self._seen[path] = _Seen(state, seen.since_s if seen else self.clock(), opened=True)
            return Pending(found.reason)
        if _state(path) is None:
            return None
        self.done(path, state)
        return found

    def done(self, path: Path, state: State | None = None) -> None:
        """Do not look at a file again as long as it stays as it is."""
        state = state or _state(path)
        self._seen.pop(path, None)
        if state is not None:
            self._done[path] = state

    def know(self, files: Iterable[tuple[Path, State]], first: RawFrame | None = None) -> None:
        """Files that were looked at by a watch before this one, and the first light of the night."""
        self._done |= dict(files)
        if first is not None:
            self._dated(first)

    def _dated(self, frame: RawFrame) -> RawFrame:
        return going_on(frame, self.read.longitude_deg, self._noons)

    def _opened(self, path: Path) -> RawFrame | SetAside | None:
        found = scan([self.folder], self.read, {path})
        if found.set_aside:
            own = [item for item in found.set_aside if item.path == path]
            if own:
                return own[0]
        if not found.frames:
            return None
        frame = self._dated(found.frames[0])
        try:
            whole = with_blank_rows(frame, open_pixels(frame, None))
        except FrameError as error:
            return SetAside(path, "read", error.reason, frame.role)
        except OSError as error:
            return SetAside(path, "read", f"cannot be read ({error.strerror})", frame.role)
        if whole.blank_rows:
            rows = sum(y1 - y0 for y0, y1 in whole.blank_rows)
            return SetAside(path, "read", f"{rows} of {frame.ny} rows have not come", frame.role)
        return whole


def _state(path: Path) -> State | None:
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_size, stat.st_mtime_ns
