"""Earlier figures for a wheel of filters against a colour camera, and what `fourlight compare` makes of them.

Usage: python benchmarks/wheel_figures.py [--draws N] [--seed N] [--write]

The earlier ones are those of prototypes of this project, no outside source. Setups and hours are those of the tests.
"""

from __future__ import annotations

import argparse
import sys
from functools import partial
from pathlib import Path

import numpy as np
from page_tables import write_table

from fourlight.stages.compare_whole import Compared
from fourlight.stages.plan_light import KINDS

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from compare_setups import compared, setup

PAGE = Path(__file__).parents[1] / "docs" / "compare.md"
LINES = (("halpha-7nm", 1.0), ("oiii-7nm", 1.0))
WHEEL = (("luminance", 3.0), ("wheel-red", 1.0), ("wheel-green", 1.0), ("wheel-blue", 1.0))
HEAD = ["| B over A | earlier | here | interval |", "|---|---|---|---|"]


def of_lines(draws: int, seed: int, colour: str = "bsi-8mp", wheel: str = "bsi-8mp") -> Compared:
    """A wheel of two lines over a colour camera with two bands."""
    pair = setup(colour, filters=[("dual-7nm", 1.0)]), setup(wheel, mono=True, filters=LINES)
    return compared(*pair, draws=draws, seed=seed)


def _row(found: Compared, name: str, words: str, earlier: str) -> str:
    (one,) = (each for each in found.quantities if each.name == name)
    return f"| {words} | {earlier} | {one.ratio:.2f} | {one.low:.2f} to {one.high:.2f} |"


def rows(draws: int, seed: int) -> list[str]:
    """Of the table."""
    made = partial(of_lines, draws, seed)
    lines, weak, other = made(), made("slr-16mp"), made("bsi-5mp", "bsi-5mp")
    both = np.array([each.values for each in lines.quantities if each.name in ("halpha", "oiii")])
    first, second = np.sqrt((both**2).sum(axis=0))
    pair = setup(filters=[("uv-ir-cut", 1.0)]), setup(mono=True, filters=WHEEL)
    light = compared(*pair, KINDS["galaxy"], draws=draws, seed=seed)
    colour, wheel = (side.course.channels for side in light.sides)
    each = ", ".join(f"{wheel[f'wheel-{name}'] / colour[name]:.2f}" for name in ("red", "green", "blue"))
    return [
        *HEAD,
        _row(lines, "halpha", "two lines, wheel over colour with two bands: Hα", "1.61"),
        _row(lines, "oiii", "the same, [OIII]", "1.10"),
        f"| the same, both together (root of the sum of squares) | 1.49 | {second / first:.2f} | |",
        _row(weak, "halpha", "Hα over a camera that is weak in red (`slr-16mp`)", "3.3"),
        _row(other, "oiii", "[OIII], both sensors weak in green at 500 nm (`bsi-5mp`)", ""),
        _row(light, "all light", "L R G B 3:1:1:1 over colour, all light", "1.24"),
        f"| red, green, blue as counted | 0.81, 0.45, 0.78 | {each} | |",
    ]


if __name__ == "__main__":
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--draws", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    text = rows(chosen.draws, chosen.seed)
    print("\n".join(text))
    if chosen.write:
        write_table(PAGE, "wheel", text)
