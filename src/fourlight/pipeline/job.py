"""State that the steps of one run share, from the sorting of frames on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

from fourlight import __version__
from fourlight.engine import Crew, Progress, at_once
from fourlight.errors import InputError, StageError
from fourlight.frames import MeasuredFrame, RawFrame, Role, SetAside
from fourlight.io.pixels import PixelSource, open_pixels
from fourlight.pipeline import cache
from fourlight.pipeline.cluster import Cluster
from fourlight.pipeline.errand import Errand
from fourlight.pipeline.folder import OutputFolder
from fourlight.pipeline.known import Known
from fourlight.pipeline.names import by_reason, chief_reason, quoted
from fourlight.provenance import file_hash, file_state
from fourlight.recipe import Recipe

__all__ = ["BY_HAND", "Job", "Sorting"]

Item = TypeVar("Item")
Result = TypeVar("Result")

BY_HAND = "lights"
"""Stage that sets lights aside because the recipe does."""
FROM_FILES = ("read", "select", BY_HAND)
"""Stages that set lights aside for what the files are or the recipe says, before anything is measured."""
IN_A_MESSAGE = 3
"""Files named with each reason in a message."""


@dataclass(slots=True)
class Sorting:
    """What is known of the frames of a run while it is decided which of them are used."""

    recipe: Recipe
    progress: Progress
    threads: int
    set_aside: list[SetAside] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    """Sentences for the report: what was assumed and decided on the way."""
    remarks: list[str] = field(default_factory=list)
    """Sentences on several frames that a user must know, in the terminal too."""
    names: dict[Path, str] = field(default_factory=dict)
    """What each file is called in results and messages; no two are called alike."""
    roles: dict[Path, Role] = field(default_factory=dict)
    """What each file is for, as far as it says."""
    hashes: dict[Path, str] = field(default_factory=dict)
    """Hash of the content of each file that was read to its end."""
    states: dict[Path, tuple[int, int] | None] = field(default_factory=dict)
    """Size and time of change of each file, just before it was read to its end."""
    known: dict[Path, Known] = field(default_factory=dict)
    """Files that an earlier run has looked at, which are not looked at again where they have not changed."""

    @property
    def called(self) -> dict[Path, str]:
        """What each file is called in sentences: its name, in quotes where it needs them."""
        return {path: quoted(name) for path, name in self.names.items()}

    def source(self, frame: RawFrame) -> PixelSource:
        """Samples of a raw frame, unpacked in memory where they cannot be mapped."""
        return open_pixels(frame, None)

    def hash(self, path: Path) -> str:
        """Hash of the content of a file, which is read once."""
        if path not in self.hashes:
            self.hashes[path] = file_hash(path)
        return self.hashes[path]

    def is_still(self, path: Path) -> bool:
        """Whether a file is what it was when it was read to its end."""
        return self.states.get(path) in (None, file_state(path))

    def at_once(self, each_bytes: float) -> int:
        """How many threads may work where each piece of work takes so much memory."""
        return at_once(each_bytes, self.recipe.run.memory_gb * 1e9, self.threads)

    def drop(self, items: Sequence[SetAside]) -> None:
        """Note frames that are not used."""
        self.set_aside += items

    def reasons(self, items: Sequence[SetAside]) -> str:
        """Why frames were set aside, every reason once."""
        return "; ".join(by_reason(((self.names[item.path], item.reason) for item in items), IN_A_MESSAGE))

    def need_two(self, count: int) -> None:
        """Stop the run where fewer than two lights are left.

        Raises
        ------
        InputError
            The files or what they show leave too few: the user can name others.
        StageError
            What was measured leaves too few.

        Both with the reasons for which lights were set aside.
        """
        if count >= 2:
            return
        lights = self.lights_among(self.set_aside)
        left = f"{count} usable light{'s' * (count != 1)} left"
        needed = f"2 are needed ({self.reasons(lights)})"
        stages = [item.stage for item in lights if item.stage not in FROM_FILES]
        if not stages:
            raise InputError(
                f"{left}; {needed}", f"{left}; 2 are needed, the others are set aside as said above"
            )
        raise StageError(stages[-1], None, left, needed)

    def lights_among(self, items: Sequence[SetAside]) -> list[SetAside]:
        """Frames that were set aside and are lights, as far as anything says what they are."""
        return [item for item in items if self.roles.get(item.path, Role.LIGHT) is Role.LIGHT]

    def why_aside(self, items: Sequence[SetAside]) -> str:
        """That these lights are set aside, and why most of them; empty where there are none."""
        if not items:
            return ""
        sure = all(self.roles.get(item.path) is Role.LIGHT for item in items)
        many = f"{len(items)} {'light' if sure else 'file'}{'s' * (len(items) != 1)}"
        why = chief_reason(((self.names[item.path], item.reason) for item in items), IN_A_MESSAGE)
        return f"{many} set aside ({why})"


@dataclass(slots=True, kw_only=True)
class Job(Sorting):
    """State of one run."""

    folder: OutputFolder
    workers: Cluster | Crew | None = None
    """Who measures and integrates; None: threads of this process."""
    measured: dict[Path, MeasuredFrame] = field(default_factory=dict)
    """All lights that could be measured, used or not."""

    @property
    def base_key(self) -> str:
        """Hash of what every kept result depends on: the program and how frames are read and calibrated."""
        return cache.digest(__version__, self.recipe.read.model_dump(), self.recipe.calibrate.model_dump())

    def crew(self, each_bytes: float, result_bytes: float = 1e6) -> Crew:
        """Who does work that takes so much memory a piece, and whose results take so much here."""
        if self.workers is None:
            return Crew(self.at_once(each_bytes))
        found = self.workers if isinstance(self.workers, Crew) else self.workers.crew(each_bytes)
        most = found.room or 2 * found.count
        return replace(found, room=at_once(result_bytes, self.recipe.run.memory_gb * 1e9, most))

    def sent(
        self, work: Callable[[Item], Result], frames: Sequence[RawFrame], crew: Crew
    ) -> Callable[[Item], Result]:
        """Work as the crew needs it, which must see these frames."""
        if not crew.away:
            return work
        return Errand(work, (self.folder.lock, *(frame.path for frame in frames)))

    def source(self, frame: RawFrame) -> PixelSource:
        """Samples of a raw frame, unpacked into the work folder where they cannot be mapped."""
        return open_pixels(frame, self.folder.decoded)
