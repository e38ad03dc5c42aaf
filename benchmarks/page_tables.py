"""Tables of benchmarks in pages of the documentation, between marks."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

__all__ = ["write_table"]


def write_table(page: Path, name: str, rows: Sequence[str]) -> None:
    """Put a table, its head with it, between the marks of its name on a page."""
    text = page.read_text(encoding="utf-8")
    start, end = f"<!-- {name}: table -->\n", f"\n<!-- {name}: end -->"
    first, last = text.index(start) + len(start), text.index(end)
    page.write_text(text[:first] + "\n".join(rows) + text[last:], encoding="utf-8")
