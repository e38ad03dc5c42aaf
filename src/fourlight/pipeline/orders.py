"""What can be done with a project from the page, each as an order for a process of its own.

Orders hold paths and plain data alone, and import what does the work when they are at work.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from fourlight.pipeline.job_process import Telling

__all__ = ["AddNights", "MakeDemo", "MakePicture", "MeasureChannels", "RunAgain", "RunNights", "WeighClaims"]


@dataclass(frozen=True, slots=True)
class RunNights:
    """The main job on the nights that were named at the start, with the marks on lights beside the results."""

    title: ClassVar[str] = "Run the nights"
    nights: tuple[Path, ...]
    out: Path
    recipe: Mapping[str, Any]

    def work(self, telling: Telling) -> None:
        from fourlight.pipeline.marks import with_marks
        from fourlight.pipeline.run import run
        from fourlight.recipe import Recipe

        recipe = with_marks(self.out, Recipe.model_validate(self.recipe))
        _close(run(self.nights, self.out, recipe, telling), self.out, telling)


@dataclass(frozen=True, slots=True)
class MakeDemo:
    """Two simulated nights through the main job, as ``fourlight demo`` does."""

    title: ClassVar[str] = "Make the demo"
    folder: Path

    def work(self, telling: Telling) -> None:
        from fourlight.pipeline.demo import RECIPE, RESULTS, demo_nights
        from fourlight.pipeline.run import run

        out = self.folder / RESULTS
        _close(run([demo_nights(self.folder, telling)], out, RECIPE, telling), out, telling)


@dataclass(frozen=True, slots=True)
class RunAgain:
    """The run that left OUT, with its frames, its recipe and the marks on lights beside it."""

    title: ClassVar[str] = "Run again"
    out: Path

    def work(self, telling: Telling) -> None:
        from fourlight.pipeline.again import recorded
        from fourlight.pipeline.marks import with_marks
        from fourlight.pipeline.run import run
        from fourlight.pipeline.swap import RECORD

        past = recorded(self.out / RECORD)
        recipe = with_marks(self.out, past.recipe)
        summary = run(past.searched, self.out, recipe, telling, set(past.inputs), past.not_read)
        _close(summary, self.out, telling)


@dataclass(frozen=True, slots=True)
class AddNights:
    """Lights added to the stack in OUT, with its recipe and the marks on lights beside it."""

    title: ClassVar[str] = "Add a night"
    added: tuple[Path, ...]
    out: Path

    def work(self, telling: Telling) -> None:
        from fourlight.pipeline.adding import earlier_run
        from fourlight.pipeline.marks import with_marks
        from fourlight.pipeline.run import run

        past = earlier_run(self.out)
        recipe = with_marks(self.out, past.recipe)
        _close(run(self.added, self.out, recipe, telling, past=past), self.out, telling)


@dataclass(frozen=True, slots=True)
class MakePicture:
    """The picture anew, with all its settings as plain data."""

    title: ClassVar[str] = "Make the picture anew"
    out: Path
    settings: Mapping[str, Any]

    def work(self, telling: Telling) -> None:
        from fourlight.pipeline.closing import picture_lines
        from fourlight.pipeline.picturing import picture_by
        from fourlight.recipe_finish import Finish

        found = picture_by(self.out, Finish.model_validate(self.settings), telling)
        for heading, text in picture_lines(found):
            telling.line(heading, text)


@dataclass(frozen=True, slots=True)
class MeasureChannels:
    """What every channel contributed."""

    title: ClassVar[str] = "Measure the channels"
    out: Path

    def work(self, telling: Telling) -> None:
        from fourlight.pipeline.evidence import channels_on

        for note in channels_on(self.out, {}, telling)["notes"]:
            telling.line("to know", note)


@dataclass(frozen=True, slots=True)
class WeighClaims:
    """What the lights say to claims."""

    title: ClassVar[str] = "Test the claims"
    out: Path

    def work(self, telling: Telling) -> None:
        from fourlight.pipeline.closing import claims_lines
        from fourlight.pipeline.evidence import claims_on

        for heading, text in claims_lines(claims_on(self.out, (), (), telling)):
            telling.line(heading, text)


def _close(summary: Mapping[str, Any], out: Path, telling: Telling) -> None:
    """Tell what a run left out and assumed."""
    from fourlight.pipeline.closing import closing_lines

    for heading, text in closing_lines(summary, out):
        telling.line(heading, text)
