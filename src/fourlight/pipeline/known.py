"""Files that an earlier run has looked at."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from fourlight.frames import RawFrame

__all__ = ["Known"]


@dataclass(frozen=True, slots=True)
class Known:
    """A file as an earlier run found it."""

    size: int
    mtime_ns: int
    sha256: str
    blank_rows: tuple[tuple[int, int], ...] = ()
    problems: tuple[str, ...] = ()

    @classmethod
    def of(cls, frame: RawFrame, sha256: str, state: tuple[int, int]) -> Known:
        """A frame whose content is known, and size and date that its file had then."""
        return cls(*state, sha256, frame.blank_rows, frame.problems)

    def is_still(self, path: Path) -> bool:
        """Whether size and date are what they were."""
        state = path.stat()
        return (state.st_size, state.st_mtime_ns) == (self.size, self.mtime_ns)
