"""How to make a result again: the command, the versions, the inputs and the settings."""

from __future__ import annotations

import os
import shlex
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

__all__ = ["command_line", "origin"]

Facts = Mapping[str, Any]


def origin(provenance: Facts, out: Path | None) -> dict[str, Any]:
    """Command, versions, inputs and settings for the last section of the page.

    Parameters
    ----------
    provenance : mapping
        Content of ``provenance.json``.
    out : Path or None
        Folder of the results, in which the record lies.
    """
    libraries = provenance.get("libraries") or {}
    versions = [f"Fourlight {provenance['fourlight']}"] if provenance.get("fourlight") else []
    versions += [f"Python {provenance['python']}"] if provenance.get("python") else []
    versions += [f"{name} {version}" for name, version in libraries.items()]
    record = os.path.join(os.path.abspath(out) if out is not None else "OUT", "provenance.json")
    top, inputs = _shortened(provenance.get("inputs") or {})
    return {
        "command": command_line(["fourlight", "run", "--again", record, "--out", "NEW-FOLDER"]),
        "steps": len(provenance.get("steps") or ()) + 1,
        "versions": ", ".join(versions),
        "inputs": inputs,
        "inputs_below": top,
        "recipe": _settings(provenance.get("recipe") or {}),
    }


def command_line(parts: Sequence[str]) -> str:
    """Words of a command as one line for the shell of this system, quoted where they need it.

    >>> command_line(["fourlight", "run", "nights"])
    'fourlight run nights'
    """
    return subprocess.list2cmdline(parts) if os.name == "nt" else shlex.join(parts)


def _shortened(inputs: Facts) -> tuple[str, list[tuple[str, str]]]:
    """The folder that holds all inputs, and each file seen from it with its fingerprint."""
    names = [str(name) for name in inputs]
    try:
        top = os.path.commonpath([os.path.dirname(name) for name in names]) if names else ""
    except ValueError:  # on several drives
        top = ""
    files = [os.path.relpath(name, top) if top else name for name in names]
    return top, list(zip(files, (str(digest) for digest in inputs.values()), strict=True))


def _settings(recipe: Facts) -> str:
    lines = []
    for section, values in recipe.items():
        if isinstance(values, Mapping):
            lines.append(f"[{section}]")
            lines += [f"{key} = {'(automatic)' if value is None else value}" for key, value in values.items()]
            lines.append("")
    return "\n".join(lines).strip()
