"""Work that is sent to other processes and computers, where it first looks whether it can be done as here."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Generic, TypeVar
from uuid import uuid4

from fourlight.errors import StageError
from fourlight.provenance import versions

__all__ = ["Errand"]

Item = TypeVar("Item")
Result = TypeVar("Result")

_fit: set[str] = set()
"""Errands for which this process has been found fit."""


@dataclass(frozen=True, slots=True)
class Errand(Generic[Item, Result]):
    """Any work of a run, for a process that may be anywhere."""

    work: Callable[[Item], Result]
    sees: tuple[Path, ...]
    """Files that must be seen there under the same names."""
    versions: dict[str, str] = field(default_factory=versions)
    """Of the program and the libraries that shape pixels, where the run was started."""
    token: str = field(default_factory=lambda: uuid4().hex)
    """Tells this errand from those of other runs."""

    def __call__(self, item: Item) -> Result:
        """The result of the work.

        Raises
        ------
        StageError
            The process where this is called does not see the files, or has other versions.
        """
        if self.token not in _fit:
            self._look()
            _fit.add(self.token)
        return self.work(item)

    def _look(self) -> None:
        who = f"worker {os.getpid()} on {socket.gethostname()}"
        for name, version in versions().items():
            if version != self.versions[name]:
                raise StageError(
                    "cluster", None, f"{who} has {name} {version}, this computer "
                    f"{self.versions[name]}", "install the same versions on all: others give other pixels",
                )  # fmt: skip
        for path in self.sees:
            if not path.exists():
                raise StageError(
                    "cluster", None, f"{who} does not see {path}",
                    "raw frames and OUT must lie on a disk that all computers share under the same names",
                )  # fmt: skip
