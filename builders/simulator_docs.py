"""Write the table of settings in docs/simulator.md from the scene model: python builders/simulator_docs.py."""

from __future__ import annotations

from pathlib import Path

from fourlight.simulate.scene import settings_table

START, END = "<!-- settings: written by builders/simulator_docs.py -->\n", "<!-- end of settings -->\n"


def main() -> None:
    page = Path(__file__).parents[1] / "docs" / "simulator.md"
    text = page.read_text("utf-8")
    head, rest = text.split(START)
    page.write_text(head + START + settings_table() + END + rest.split(END)[1], encoding="utf-8")


if __name__ == "__main__":
    main()
