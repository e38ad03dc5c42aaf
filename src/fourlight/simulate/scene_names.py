"""Names of the scenes that come with the program, for which no scene is read."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

__all__ = ["packaged_names"]


def packaged_names() -> list[str]:
    """Names of the scenes that come with the program.

    >>> packaged_names()
    ['bench', 'demo', 'dual-band', 'star-field']
    """
    folder = resources.files("fourlight.simulate").joinpath("scenes")
    return sorted(Path(entry.name).stem for entry in folder.iterdir() if entry.name.endswith(".toml"))
