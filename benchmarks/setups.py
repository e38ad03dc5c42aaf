"""The command of benchmarks that compare drawn setups with simulated ones, and write a table of them."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

from accuracy import written

__all__ = ["told"]


def told(
    about: str, table: Callable[[int, int], tuple[str, float]], name: str, page: Path, seed: int
) -> None:
    """Print the table, or write it into a page.

    Parameters
    ----------
    about : str
        Docstring of the benchmark.
    table : callable
        Of how many setups and a seed: the rows, which it prints as they come, and the largest departure.
    name : str
        Of the table on the page.
    page : Path
    seed : int
        Unless the user says another.
    """
    parser = argparse.ArgumentParser(description=about, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--setups", type=int, default=20)
    parser.add_argument("--seed", type=int, default=seed)
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    text, worst = table(chosen.setups, chosen.seed)
    if chosen.write:
        written(name, text, page)
    print(f"largest departure {100 * worst:.1f} %")
