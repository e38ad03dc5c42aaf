"""Write docs/commands.md from the commands themselves.

Run as ``python builders/commands_docs.py``; a test checks that the page is current.
"""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer

from fourlight.cli.app import COMMANDS, DEBUG, program

HEAD = f"""# The commands

Every command with its options. This page is made from the program by `python builders/commands_docs.py`; each command
tells the same with `--help`. Exit codes: 0 done, 1 the work failed or was stopped, 2 bad input or usage. {DEBUG}
"""
NOTE = re.compile(r"  \[(.*)\]$")
"""What the command library says of an option behind its help."""


def page() -> str:
    """The whole page as text."""
    commands = typer.main.get_command(program([])).commands  # type: ignore[attr-defined]
    return HEAD + "".join(
        text for name in COMMANDS for text in _sections(f"fourlight {name}", commands[name], 2)
    )


def _sections(name: str, command: Any, level: int) -> Iterator[str]:
    """A command, and those below it where it is a family."""
    context = command.make_context(name, [], resilient_parsing=True)
    yield f"\n{'#' * level} {name}\n\n{_sentence(command.help)}\n"
    below = getattr(command, "commands", {})
    for word, child in below.items():
        yield from _sections(f"{name} {word}", child, level + 1)
    if not below:
        yield f"\n```text\n{' '.join([name, *command.collect_usage_pieces(context)])}\n```\n"
        rows = [row for param in command.get_params(context) if (row := _row(param, context))]
        yield "\n| word | what it does |\n|---|---|\n" + "".join(rows) if rows else ""


def _row(param: Any, context: Any) -> str:
    """One option or argument as a row; empty for ``--help``, which every command has."""
    if "--help" in param.opts:
        return ""
    words, text = param.get_help_record(context)
    note = NOTE.search(text)
    said = note[1].replace("required", "needed") if note else ""
    sentences = [NOTE.sub("", text), f"{said[:1].upper()}{said[1:]}" if said else ""]
    return f"| `{_cell(words)}` | {' '.join(_cell(_sentence(each)) for each in sentences if each)} |\n"


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def _sentence(text: str) -> str:
    return f"{' '.join(text.split()).rstrip('.')}."


if __name__ == "__main__":
    target = Path(__file__).parent.parent / "docs" / "commands.md"
    target.write_text(page(), encoding="utf-8")
    print(f"wrote {target.name}")
