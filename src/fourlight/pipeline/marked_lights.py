"""Lights to look at together with their marks for the next run; lights are named by the numbers of their rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from fourlight.errors import InputError
from fourlight.pipeline.finished import check_there
from fourlight.pipeline.job import BY_HAND
from fourlight.pipeline.marks import FILE, Mark, Marks
from fourlight.pipeline.shown_lights import ShownLights
from fourlight.stages.judge import JUDGED

__all__ = ["MarkedLights"]


class MarkedLights:
    """Lights of the results in a folder and their marks; safe for several threads.

    Parameters
    ----------
    out : Path
        Of the results of a run.
    """

    def __init__(self, out: Path) -> None:
        self.shown = ShownLights(out)
        self._out, self._marks = out, Marks(out)

    def facts(self) -> dict[str, Any]:
        """See `ShownLights.facts`; with ``marks``."""
        return {**self.shown.facts(), "marks": self.marks()}

    def marks(self) -> dict[str, Any]:
        """Marks by the number of the row; which of them the stack does not have yet; what can be taken back."""
        items, facts = self.shown.items()[1], self._marks.facts()
        waiting = set(facts["waiting"])
        lights = {
            number: [*facts["marks"].get(path, ("none", "")), path in waiting]
            for number, path in enumerate(str(item.get("path") or "") for item in items)
            if path in waiting or path in facts["marks"]
        }
        return {
            "lights": lights, "waiting": sum(waits for *_, waits in lights.values()), "undo": facts["undo"],
            "redo": facts["redo"], "file": str(self._out / FILE),
        }  # fmt: skip

    def put(
        self, version: str, numbers: Sequence[int], mark: Mark, reason: str = ""
    ) -> dict[str, Any] | None:
        """Mark the lights for which the mark means something; how many others there were, and `marks`.

        None where the rows are no longer those of a version.

        Raises
        ------
        InputError
            There is no such light, or the mark means nothing for any of them.
        """
        now, items = self.shown.items()
        if now != version:
            return None
        if any(not 0 <= number < len(items) for number in numbers):
            raise InputError(f"lights have numbers from 0 to {len(items) - 1}")
        asked = [items[number] for number in dict.fromkeys(numbers)]
        known = self._marks.facts()
        fit = [str(item["path"]) for item in asked if item.get("path") and _fits(item, mark, known)]
        if not fit:
            raise InputError(NOTHING[mark])
        self._marks.put(fit, mark, reason)
        return {"passed_over": len(asked) - len(fit), "marks": self.marks()}

    def step(self, *, back: bool) -> dict[str, Any]:
        """Take the last change back, or make it again; `marks`.

        Raises
        ------
        InputError
            The results are gone.
        """
        check_there(self._out)
        if back:
            self._marks.undo()
        else:
            self._marks.redo()
        return {"passed_over": 0, "marks": self.marks()}


NOTHING = {
    "leave": "these lights are set aside already, for what the run found",
    "use": "these lights are used already, or cannot be used: only those that were measured to be trailed, out of "
    "focus or clouded over can be used anyway",
    "none": "these lights have no mark",
}


def _fits(item: Mapping[str, Any], mark: Mark, known: Mapping[str, Any]) -> bool:
    """Whether a mark means something for a light; ``known`` are `Marks.facts`."""
    path, stage = str(item["path"]), item.get("stage")
    if mark == "none":
        return path in known["marks"]
    if mark == "leave":
        return stage in (None, BY_HAND)
    return stage == JUDGED or known["held"].get(path, [""])[0] == "use"
