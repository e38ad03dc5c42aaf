"""What a result was made from: hashes of the inputs, the recipe and the versions, enough to make it again."""

from __future__ import annotations

import hashlib
import platform
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from fourlight import __version__
from fourlight.errors import InputError
from fourlight.frames import Role, SetAside
from fourlight.json_text import json_of
from fourlight.recipe import Recipe

__all__ = ["Provenance", "Step", "file_hash", "file_state", "load", "record", "versions"]

MOST_LETTERS = 64_000_000
"""Of a record: some hundred thousand frames, and more takes more memory than a run does."""
LIBRARIES = ("numpy", "scipy", "numba", "astropy", "rawpy", "pillow", "tifffile")


@dataclass(frozen=True, slots=True)
class Step:
    """A run to whose stack lights were added."""

    searched: tuple[Path, ...]
    """Files and folders named until then."""
    inputs: frozenset[Path]
    """Files that were read until then."""
    not_read: tuple[SetAside, ...]
    """See `Provenance.not_read`."""


@dataclass(frozen=True, slots=True)
class Provenance:
    """A finished run as ``provenance.json`` records it."""

    inputs: dict[Path, str]
    """SHA-256 of every file that was read."""
    searched: tuple[Path, ...]
    """Files and folders the user named."""
    recipe: Recipe
    set_aside: tuple[SetAside, ...] = ()
    """Files that were set aside; of those that are no inputs, this is all that is known of them."""
    others: Mapping[Path, str] = field(default_factory=dict)
    """SHA-256 of files besides frames that the recipe names."""
    steps: tuple[Step, ...] = ()
    """Runs that left the sums to which this one added lights, the first one first."""

    @property
    def not_read(self) -> tuple[SetAside, ...]:
        """Files that were set aside before they were read to their end: another run does not look at them."""
        return tuple(item for item in self.set_aside if item.path not in self.inputs)

    @property
    def with_itself(self) -> tuple[Step, ...]:
        """The steps of a run that adds lights to the sums which this one has left."""
        return (*self.steps, Step(self.searched, frozenset(self.inputs), self.not_read))


def file_hash(path: Path) -> str:
    """SHA-256 of a file as hexadecimal digits."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def file_state(path: Path) -> tuple[int, int] | None:
    """Size and time of the last change (ns) of a file; None where it cannot be asked."""
    try:
        state = path.stat()
    except OSError:
        return None
    return state.st_size, state.st_mtime_ns


def record(
    inputs: Mapping[Path, str],
    searched: Iterable[Path],
    recipe: Recipe,
    measured: Mapping[str, Any],
    seed: int,
    set_aside: Sequence[SetAside] = (),
    steps: Sequence[Step] = (),
    others: Mapping[Path, str] | None = None,
) -> dict[str, Any]:
    """Content of ``provenance.json``.

    Parameters
    ----------
    inputs : mapping of Path to str
        SHA-256 of each file that was read.
    searched : iterable of Path
        What the user named.
    recipe : Recipe
    measured : mapping
        Numbers measured by the stages that shaped the result.
    seed : int
        Of the pure noise that frames are compared with; the same in every run.
    set_aside : sequence of SetAside
        Files that are not used, and why.
    steps : sequence of Step
        Earlier runs to whose sums lights were added.
    others : mapping of Path to str, optional
        SHA-256 of files besides frames that the recipe names.
    """
    return {
        "fourlight": __version__,
        "python": platform.python_version(),
        "platform": f"{sys.platform} {platform.machine()}",
        "libraries": {name: _version(name) for name in LIBRARIES},
        "seed": seed,
        "searched": [str(path) for path in searched],
        "inputs": {str(path): digest for path, digest in inputs.items()},
        "others": {str(path): digest for path, digest in (others or {}).items()},
        "set_aside": [_told(item) for item in set_aside],
        "steps": [
            {
                "searched": [str(path) for path in step.searched],
                "inputs": sorted(str(path) for path in step.inputs),
                "not_read": [_told(item) for item in step.not_read],
            }
            for step in steps
        ],
        "recipe": recipe.model_dump(),
        "measured": dict(measured),
    }


def versions() -> dict[str, str]:
    """Versions of all that shapes pixels: the program, Python and the libraries."""
    found = {"fourlight": __version__, "python": platform.python_version()}
    return found | {name: _version(name) for name in LIBRARIES}


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "unknown"


def load(path: Path) -> Provenance:
    """Read a ``provenance.json``.

    Raises
    ------
    InputError
        The file is not there, or is not the record of a run.
    """
    try:
        with path.open(encoding="utf-8") as file:  # which may have no end
            text = file.read(MOST_LETTERS + 1)
        if len(text) > MOST_LETTERS:
            raise ValueError
        data = json_of(text)
    except FileNotFoundError:
        raise InputError(f"{path}: no such file; name the provenance.json of a finished run") from None
    except (OSError, ValueError) as error:
        raise _no_record(path, getattr(error, "strerror", None) or "no JSON is in it") from None
    try:
        inputs = {Path(name): str(digest) for name, digest in data["inputs"].items()}
        others = {Path(name): str(digest) for name, digest in data.get("others", {}).items()}
        recipe = Recipe.model_validate(data["recipe"])
        searched = tuple(Path(name) for name in data["searched"])
        aside = tuple(_aside(item) for item in data.get("set_aside", ()))
        steps = tuple(_step(item) for item in data.get("steps", ()))
    except ValidationError:
        if not isinstance(data["recipe"], dict):
            raise _no_record(path, "it holds no settings") from None
        found = "its settings are not those of this version"
        raise InputError(
            f"{path}: {found}; make the run again: fourlight run NIGHTS --out {path.parent}"
        ) from None
    except (KeyError, TypeError, AttributeError, ValueError):
        raise _no_record(path, "it does not say which files were used, and how") from None
    return Provenance(inputs, searched, recipe, aside, others, steps)


def _step(item: Mapping[str, Any]) -> Step:
    return Step(
        tuple(Path(name) for name in item["searched"]),
        frozenset(Path(name) for name in item["inputs"]),
        tuple(_aside(told) for told in item["not_read"]),
    )


def _told(item: SetAside) -> dict[str, Any]:
    return {
        "path": str(item.path),
        "stage": item.stage,
        "reason": item.reason,
        "role": item.role,
        "state": item.state,
    }


def _aside(item: Mapping[str, Any]) -> SetAside:
    role = Role(item["role"]) if item.get("role") else None
    state = None
    if item.get("state"):
        size, time_ns = item["state"]
        state = int(size), int(time_ns)
    return SetAside(Path(item["path"]), str(item["stage"]), str(item["reason"]), role, state)


def _no_record(path: Path, found: str) -> InputError:
    return InputError(
        f"{path}: not the record of a run ({found}); name the provenance.json of a finished run"
    )
