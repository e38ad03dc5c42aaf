"""Commands as they stand in the blocks of a page."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

from fourlight.cli.app import build


def blocks(page: Path, language: str) -> list[str]:
    """Text of the blocks of one language."""
    return re.findall(rf"```{language}\n(.*?)```", page.read_text(encoding="utf-8"), flags=re.S)


def shell_lines(page: Path) -> list[str]:
    """Commands in the ``sh`` blocks of a page."""
    return [line for block in blocks(page, "sh") for line in block.splitlines() if line.strip()]


def run_line(line: str) -> None:
    """Run a command in this process, as the console script does; it must be one of the program and succeed."""
    words = shlex.split(line)
    assert words[0] == "fourlight"
    assert build(words[1:]) == 0, line
