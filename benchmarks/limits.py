"""Measure what the integrator promises in hard cases, on simulated nights with known truth.

Usage: python benchmarks/limits.py [CASE ...] [--seed N] [--write]

Every case simulates its own frames, runs the whole job on them, and compares the stack with what was put in.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from pathlib import Path

from accuracy import written
from limit_cases import Line, few, moon, odd
from limit_scenes import set_apart
from limit_stars import full, low, rejection, seams, trails

PAGE = Path(__file__).parent.parent / "docs" / "limits.md"
CASES: dict[str, Callable[[], Iterator[Line]]] = {
    case.__name__: case for case in (few, odd, moon, low, full, trails, rejection, seams)
}
HEAD = "| case | what | wanted | measured | reached |\n|---|---|---|---|---|"


def row(case: str, line: Line) -> str:
    """A line of the table."""
    reached = "" if line.reached is None else ("yes" if line.reached else "no")
    return f"| {case} | {line.what} | {line.wanted} | {line.measured} | {reached} |"


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("cases", nargs="*", metavar="CASE", help=", ".join(CASES))
    arguments.add_argument("--seed", type=int, default=0, help="other scenes; added to the seed of each")
    arguments.add_argument("--write", action="store_true", help="put the table into docs/limits.md")
    given = arguments.parse_args()
    set_apart(given.seed)
    rows = [HEAD]
    for case in given.cases or list(CASES):
        for line in CASES[case]():
            rows.append(row(case.replace("_", " "), line))
            print(rows[-1], flush=True)
    if given.write:
        written("limits", "\n".join(rows), PAGE)


if __name__ == "__main__":
    main()
