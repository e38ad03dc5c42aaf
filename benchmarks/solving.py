"""How many pictures are solved, and how many wrongly: invented star lists of the whole sky, and lists of no sky at all.

Usage: python benchmarks/solving.py [FIELDS] [solved | null] [--write]

Prints the tables of docs/solving.md, or one of them; 600 fields of each kind if not said.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from page_tables import write_table

from fourlight.sky.catalogue import directions
from fourlight.sky.plate import PlateSolution
from fourlight.sky.solving import solve

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from sky_fields import Truth, beside, invented, scattered

PAGE = Path(__file__).parents[1] / "docs" / "solving.md"
RIGHT_PX = 10.0
"""Largest error anywhere on the frame of a solution that is called right. Distortion that few stars cannot tell is up
to 5 px at the corners; wrong places are off by hundreds."""
HEADING = (
    "| what is known | width of the field | fields | solved | wrong | largest error on the frame: median, 95 %, worst "
    "| time: median, longest |"
)
WIDTHS = ((1.0, 1.5), (1.5, 2.0), (2.0, 3.0), (3.0, 5.0))


@dataclass(frozen=True)
class Try:
    """What became of one picture."""

    width_deg: float
    stars: int
    error_px: float | None
    """None where it was not solved."""
    log10_chance: float
    seconds: float


def tried(truth: Truth, error: float, hint: tuple[float, float] | None) -> Try:
    start = time.process_time()
    found = solve(truth.field(error), hint)
    seconds = time.process_time() - start
    if not isinstance(found, PlateSolution):
        return Try(truth.width_deg, len(truth.x), None, found.log10_chance, seconds)
    return Try(truth.width_deg, len(truth.x), truth.error_px(found), found.log10_chance, seconds)


def near(count: int, seed: int) -> Iterable[Try]:
    """The header's place is off by up to the width of the frame or 2 degrees, the scale by up to 10 %."""
    random = np.random.default_rng(seed)
    for _ in range(count):
        truth = invented(random, random.uniform(1, 5))
        hint = beside(random, (truth.ra_deg, truth.dec_deg), max(truth.width_deg, 2.0))
        yield tried(truth, random.uniform(0.9, 1.1), hint)


def blind(count: int, seed: int) -> Iterable[Try]:
    """Only the scale is known."""
    random = np.random.default_rng(seed)
    # Fields of one size share the index of the sky.
    for width in np.sort(random.uniform(1, 5, count)):
        yield tried(invented(random, width), random.uniform(0.9, 1.1), None)


def nowhere(count: int, seed: int, *, anywhere: bool = False) -> Iterable[Try]:
    """As many stars as a place has, but anywhere on the frame; looked for near the place, or on the whole sky."""
    random = np.random.default_rng(seed)
    for width in np.sort(random.uniform(1, 5, count)):
        truth = invented(random, width)
        yield tried(scattered(random, truth), 1.0, None if anywhere else (truth.ra_deg, truth.dec_deg))


def elsewhere(count: int, seed: int) -> Iterable[Try]:
    """Real stars, looked for around a place that is 30 degrees away or more, all of it true sky."""
    random = np.random.default_rng(seed)
    for _ in range(count):
        truth = invented(random, random.uniform(1, 5))
        ra, dec = 360 * random.uniform(), float(np.degrees(np.arcsin(random.uniform(-1, 1))))
        while directions(ra, dec) @ directions(truth.ra_deg, truth.dec_deg) > np.cos(np.radians(30)):
            ra, dec = 360 * random.uniform(), float(np.degrees(np.arcsin(random.uniform(-1, 1))))
        yield tried(truth, random.uniform(0.9, 1.1), (ra, dec))


def solved_table(kinds: dict[str, list[Try]]) -> str:
    """Rows by kind and width of the field."""
    lines = [HEADING, "|---|---|---|---|---|---|---|"]
    spans = (*WIDTHS, (WIDTHS[0][0], WIDTHS[-1][1]))
    for name, every in kinds.items():
        for low, high in spans:
            some = [one for one in every if low <= one.width_deg < high]
            right = [one for one in some if one.error_px is not None and one.error_px < RIGHT_PX]
            wrong = sum(one.error_px is not None and one.error_px >= RIGHT_PX for one in some)
            if not right:
                continue
            errors, times = [one.error_px or 0.0 for one in right], [one.seconds for one in some]
            middle, most = np.quantile(errors, (0.5, 0.95))
            cells = (
                name, f"{low:g} to {high:g} deg", len(some), f"{len(right) / len(some):.1%}", wrong,
                f"{middle:.2f}, {most:.2f}, {max(errors):.2f} px", f"{np.median(times):.2f}, {max(times):.1f} s",
            )  # fmt: skip
            lines.append(f"| {' | '.join(str(cell) for cell in cells)} |")
    return "\n".join(lines)


def null_table(kinds: dict[str, list[Try]]) -> str:
    """Rows of what must not be solved."""
    lines = [
        "| what | fields | solved | nearest to a proof | time: median, longest |",
        "|---|---|---|---|---|",
    ]
    for name, every in kinds.items():
        times = [one.seconds for one in every]
        solved = sum(one.error_px is not None for one in every)
        near = ", ".join(f"10^{one:.1f}" for one in sorted(one.log10_chance for one in every)[:3])
        lines.append(
            f"| {name} | {len(every)} | {solved} | {near} | {np.median(times):.2f}, {max(times):.1f} s |"
        )
    return "\n".join(lines)


def show_solved(count: int) -> str:
    """Pictures of the sky."""
    kinds = {"place and scale": list(near(count, 11)), "scale": list(blind(count // 2, 12))}
    few = [one for one in kinds["place and scale"] if one.error_px is None]
    found = [one for every in kinds.values() for one in every if one.error_px is not None]
    for one in found:
        if (one.error_px or 0) >= RIGHT_PX:
            print("wrong:", one)
    print("not solved near the place, by stars in the picture:", sorted(one.stars for one in few))
    print(f"weakest proof of a solution: 10 to the {max(one.log10_chance for one in found):.1f}", flush=True)
    return solved_table(kinds)


def show_null(count: int) -> str:
    """Lists that are not of the place where they are looked for."""
    kinds = {
        "stars anywhere on the frame, near a place": nowhere(count, 13),
        "the same, on the whole sky": nowhere(count // 5, 15, anywhere=True),
        "stars of another place": elsewhere(count // 2, 14),
    }
    return null_table({name: list(every) for name, every in kinds.items()})


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("fields", type=int, nargs="?", default=600)
    parser.add_argument("kind", choices=("solved", "null"), nargs="?", help="both if not said")
    parser.add_argument("--write", action="store_true", help="write the tables into docs/solving.md")
    options = parser.parse_args()
    for name, made in {"solved": show_solved, "null": show_null}.items():
        if options.kind in (None, name):
            table = made(options.fields)
            print(table, flush=True)
            if options.write:
                write_table(PAGE, name, table.splitlines())


if __name__ == "__main__":
    main()
