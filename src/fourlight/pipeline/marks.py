"""Marks on lights for the next run, kept as recipe text beside the results; the stack is not changed by them."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from fourlight.errors import InputError
from fourlight.io.room import whole, writing
from fourlight.io.texts import text_of
from fourlight.pipeline.swap import RECORD
from fourlight.provenance import load
from fourlight.recipe import Recipe, loads
from fourlight.recipe_lights import Lights

__all__ = ["FILE", "Mark", "Marks", "lights_toml", "with_marks"]

FILE = "marks.toml"
"""Beside the results; a recipe that decides on lights, and on nothing else."""
MOST_LETTERS = 200
"""Of a reason."""
Mark = Literal["leave", "use", "none"]

HEAD = """# Marks on lights, made on the page; a run takes them as its recipe, or as a part of one.
[lights]
"""


def lights_toml(lights: Lights) -> str:
    """Recipe text that decides on these lights.

    >>> print(lights_toml(Lights(leave_out={"/n/a.fits": "fog"}, use=("/n/b.fits",))).split("[lights]")[1])
    <BLANKLINE>
    use = ["/n/b.fits"]
    leave_out = {"/n/a.fits" = "fog"}
    <BLANKLINE>
    """
    quoted = json.JSONEncoder(ensure_ascii=False).encode  # strings of JSON are strings of TOML
    pairs = ", ".join(f"{quoted(name)} = {quoted(why)}" for name, why in lights.leave_out.items())
    used = ", ".join(map(quoted, lights.use))
    return f"{HEAD}use = [{used}]\nleave_out = {{{pairs}}}\n"


def with_marks(out: Path, recipe: Recipe) -> Recipe:
    """A recipe with what the marks beside the results decide, where there are any.

    Raises
    ------
    InputError, RecipeError
        The file of marks cannot be used.
    """
    found = _written(out)
    return recipe if found is None else recipe.model_copy(update={"lights": found})


def _written(out: Path) -> Lights | None:
    path = out / FILE
    if not path.is_file():
        return None
    return loads(text_of(path, "marks on lights", "take it away and mark lights anew"), str(path)).lights


class Marks:
    """Marks on the lights of one folder of results, to be taken back one after the other; safe for several threads.

    Parameters
    ----------
    out : Path
        Folder of the results.
    """

    def __init__(self, out: Path) -> None:
        self._out = out
        self._lock = threading.Lock()
        self._before: list[Lights] = []
        self._after: list[Lights] = []

    def now(self) -> Lights:
        """What the next run would do with single lights."""
        found = _written(self._out)
        return self._made() if found is None else found

    def facts(self) -> dict[str, Any]:
        """Marks by path, those that the stack holds, paths in which both differ, and what can be taken back."""
        now, made = self.now(), self._made()
        marks, held = _by_path(now), _by_path(made)
        return {
            "marks": marks,
            "held": held,
            "waiting": sorted(
                path for path in marks.keys() | held.keys() if marks.get(path) != held.get(path)
            ),
            "undo": bool(self._before),
            "redo": bool(self._after),
        }

    def put(self, paths: Sequence[str], mark: Mark, reason: str = "") -> None:
        """Mark lights, named by their paths.

        Raises
        ------
        InputError
            A reason is needed and is not given, or is too long, or a name cannot be written.
        OutputError
            The file cannot be written.
        """
        why = " ".join(reason.split())
        if mark == "leave" and not why:
            raise InputError("a reason is needed; write why these lights are to be left out")
        if len(why) > MOST_LETTERS or not why.isprintable():
            raise InputError(f"a reason of plain letters, at most {MOST_LETTERS} of them, is needed")

        def changed(now: Lights) -> Lights:
            leave = {path: said for path, said in now.leave_out.items() if path not in paths}
            use = tuple(path for path in now.use if path not in paths)
            if mark == "leave":
                leave |= dict.fromkeys(paths, why)
            return Lights(leave_out=leave, use=(*use, *paths) if mark == "use" else use)

        self._change(changed)

    def undo(self) -> None:
        """Take the last change back."""
        self._step(self._before, self._after)

    def redo(self) -> None:
        """Make the change again that was taken back."""
        self._step(self._after, self._before)

    def _step(self, source: list[Lights], other: list[Lights]) -> None:
        with self._lock:
            if source:
                now = self.now()
                self._write(source[-1])
                source.pop()
                other.append(now)

    def _change(self, changed: Callable[[Lights], Lights]) -> None:
        with self._lock:
            now = self.now()
            wanted = changed(now)
            if wanted != now:
                self._write(wanted)
                self._before.append(now)
                self._after.clear()

    def _write(self, lights: Lights) -> None:
        path = self._out / FILE
        try:
            text = lights_toml(lights).encode("utf-8")
        except UnicodeEncodeError:
            raise InputError(
                "the name of this light has letters that no recipe can hold; rename its file"
            ) from None
        with writing(path), whole(path) as part:
            part.write_bytes(text)

    def _made(self) -> Lights:
        """What the run that left the results did with single lights."""
        record = self._out / RECORD
        return load(record).recipe.lights if record.is_file() else Lights()


def _by_path(lights: Lights) -> Mapping[str, list[str]]:
    return {
        **{path: ["leave", why] for path, why in lights.leave_out.items()},
        **{path: ["use", ""] for path in lights.use},
    }
