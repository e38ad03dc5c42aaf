"""What every step of the calibration has at hand: pixels, settings, a folder to work in, notes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.errors import FrameError
from fourlight.frames import RawFrame, SetAside
from fourlight.recipe import Calibrate
from fourlight.recipe_read import Read
from fourlight.stages.groups import Group
from fourlight.stages.masters import Master, OpenSource, combined

__all__ = ["Bench"]


@dataclass(slots=True)
class Bench:
    """The calibration under way; `notes`, `remarks`, `odd` and `set_aside` grow as the steps find things."""

    open_source: OpenSource
    pattern: str
    settings: Calibrate
    read: Read
    work: Path
    progress: Callable[[int, int], None] | None = None
    threads: int = 1
    """Pieces of work that are done at the same time."""
    notes: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    """Notes that a user must know, in the terminal too."""
    odd: dict[Path, str] = field(default_factory=dict)
    """What is odd about single frames that are used."""
    set_aside: list[SetAside] = field(default_factory=list)
    full_adu: float | None = None
    """Level at which samples of the lights pile up, ADU."""
    levels: dict[tuple[Path, int], npt.NDArray[np.float64]] = field(default_factory=dict)
    """Level of each plane of a flat, ADU, by path and HDU."""
    done: int = 0
    total: int = 0
    _masters: dict[Group, Master] = field(default_factory=dict)

    def note(self, sentence: str) -> None:
        """Keep a sentence for the report, once."""
        if sentence not in self.notes:
            self.notes.append(sentence)

    def tell(self, sentence: str) -> None:
        """Keep a sentence for the report and the terminal, once."""
        self.note(sentence)
        if sentence not in self.remarks:
            self.remarks.append(sentence)

    def drop(self, frame: RawFrame, reason: str) -> None:
        """Set a frame aside."""
        self.set_aside.append(SetAside(frame.path, "calibrate", reason))

    def advance(self, frames: int = 1) -> None:
        """Report that some frames are done."""
        self.done = min(self.total, self.done + frames)
        if self.progress is not None:
            self.progress(self.done, self.total)

    def master(self, group: Group) -> Master:
        """Plain clipped mean of a group, made once."""
        if group not in self._masters:
            self._masters[group] = combined(
                group.frames, self.open_source, self.pattern, self.settings.clip_sigma, self.work,
                threads=self.threads,
            )  # fmt: skip
            self.advance(len(group.frames))
        return self._masters[group]

    @property
    def made(self) -> dict[Group, Master]:
        """Masters made so far, less those of flats."""
        return dict(self._masters)

    def saturation(self, frames: Sequence[RawFrame]) -> float | None:
        """Level of a full sample in ADU: recipe, else the lowest that the frames say or the lights show."""
        if self.read.saturation_adu is not None:
            return self.read.saturation_adu
        said = [f.saturation_adu for f in frames if f.saturation_adu is not None]
        return min(said + ([self.full_adu] if self.full_adu is not None else []), default=None)

    def black(self, frame: RawFrame) -> tuple[float | None, str]:
        """Level of no light without bias frames: recipe, else the file's own word; and where it is from."""
        if self.read.black_adu is not None:
            return self.read.black_adu, "recipe"
        if frame.black_adu is not None:
            return frame.black_adu, "header"
        return None, "unknown"

    def readable(self, frame: RawFrame) -> bool:
        """Whether pixels of a calibration frame can be read; if not it is set aside with the reason."""
        try:
            self.open_source(frame).read(0, min(2, frame.ny), 0, min(2, frame.nx))
        except FrameError as error:
            self.drop(frame, error.reason)
            return False
        return True
