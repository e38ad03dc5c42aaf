"""How often claims are told wrong, and what is found: lights drawn with known truth.

python benchmarks/nulls.py [--sets N] [--write]
"""

from __future__ import annotations

import argparse
import re
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from null_cases import MEMORIES, Case, Rates, among_others, cases, found_from, rates, skies, whole_runs
from null_lights import Sky, drift
from scipy import stats

from fourlight.core import correlated

PAGE = Path(__file__).parent.parent / "docs" / "claims.md"

WRONG = (
    "claim", "nights", "sets", "supported without effect, %", "contradicted with an effect that matters, %",
    "p < 0.05 without effect, %", "truth in the 95 % interval, %", "at most 6 %",
)  # fmt: skip
POWER = ("claim", "nights", "lights or patches", "supported from", "contradicted from")
COST = ("values", "memory", "Student's t, %", "allowing for memory, %", "interval over that of Student's t")
RUNS = (
    "runs",
    "what is true",
    "claims told a run",
    "of those supported, wrong, %",
    "of those contradicted, wrong, %",
)
AMONG = ("claims without effect", "beside", "runs", "runs with a wrong supported, %")


def wrong(case: Case, sets: int) -> list[str]:
    """How often the verdicts of a claim are wrong: in all plans, by memory, and in the worst plan."""
    plans = skies(case)
    without = [rates(case, sky, case.claim.null, sets) for sky in plans]
    there = without
    if case.claim.matters != case.claim.null:
        there = [rates(case, sky, case.claim.matters, sets) for sky in plans]
    memory = np.array([sky.memory for sky in plans])

    def shown(found: list[Rates], of: Callable[[Rates], float]) -> tuple[float, str]:
        values = 100 * np.array([of(each) for each in found])
        by = ", ".join(f"{values[memory == each].mean():.1f}" for each in np.unique(memory))
        return values.mean(), f"{values.mean():.1f} ({by}; {values.max():.1f})"

    (supported, first), (contradicted, second) = (
        shown(without, lambda x: x.supported),
        shown(there, lambda x: x.contradicted),
    )
    chance, held = shown(without, lambda x: x.below)[1], shown([*there], lambda x: x.inside)[0]
    reached = "yes" if max(supported, contradicted) <= 6 else "no"
    return [
        case.claim.name,
        case.plan,
        str(memory.size * sets),
        first,
        second,
        chance,
        f"{held:.1f}",
        reached,
    ]


def power(case: Case, sets: int) -> list[list[str]]:
    """The effect from which on four of five runs tell it."""
    rows = []
    plans = [Sky(m, 1, 0.3) for m in (16, 36, 64)] if case.stacks else [
        Sky(n, nights, 0.6, 0.5) for nights in case.nights if nights in (case.nights[0], 5) for n in (12, 40, 100)
        if n >= 4 * nights and n // nights >= 6
    ]  # fmt: skip
    for sky in plans:
        ends = [found_from(case, sky, sets, verdict) for verdict in ("supported", "contradicted")]
        nights = "" if case.stacks else ", ".join(part for part in (f"{sky.nights}", case.plan) if part)
        rows.append(
            [case.claim.name, nights, str(sky.lights), *(f"{x:.3g}" if x is not None else "-" for x in ends)]
        )
    return rows


def cost(sets: int) -> list[list[str]]:
    """Means of correlated values: chance taken for a difference, and how much wider intervals are."""
    rows = []
    for n in (12, 24, 60, 200):
        for memory in (0.0, *MEMORIES):
            rng = np.random.default_rng(n)
            drawn = [drift(rng, n, memory) for _ in range(sets)]
            plain = np.mean([stats.ttest_1samp(values, 0.0).pvalue < 0.05 for values in drawn])
            found = [correlated.mean(values) for values in drawn]
            told = np.mean([each.p(0.0) < 0.05 for each in found])
            own = [stats.t.ppf(0.975, n - 1) * values.std(ddof=1) / np.sqrt(n) for values in drawn]
            wider = np.median([each.reach() / reach for each, reach in zip(found, own, strict=True)])
            rows.append([str(n), f"{memory:g}", f"{100 * plain:.1f}", f"{100 * told:.1f}", f"{wider:.2f}"])
    return rows


def table(head: tuple[str, ...], rows: list[list[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines)


def put(name: str, text: str) -> None:
    """Into the page, between the marks of its name."""
    page = PAGE.read_text(encoding="utf-8")
    start, end = f"<!-- nulls: {name} -->", f"<!-- nulls: {name} end -->"
    found, times = re.subn(f"{start}.*?{end}", lambda _: f"{start}\n{text}\n{end}", page, flags=re.S)
    if times != 1:
        raise SystemExit(f"{PAGE.name} has no place for the table {name}")
    PAGE.write_text(found, encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", type=int, default=200, help="drawn for each plan")
    parser.add_argument("--only", default="", help="claims whose names begin so")
    parser.add_argument("--tables", default="wrong,power,cost,runs,among", help="which tables are made")
    parser.add_argument("--write", action="store_true", help="renew the tables of docs/claims.md")
    chosen = parser.parse_args()
    asked = [case for case in cases() if case.claim.name.startswith(chosen.only)]
    few = max(chosen.sets // 4, 5)

    def each(make: Callable[[Case], list[list[str]]]) -> list[list[str]]:
        rows = []
        for case in asked:
            begun = time.monotonic()
            rows += make(case)
            print(*rows[-1], f"{time.monotonic() - begun:.0f} s", sep=" | ", file=sys.stderr, flush=True)
        return rows

    makers: dict[str, tuple[tuple[str, ...], Callable[[], list[list[str]]]]] = {
        "wrong": (WRONG, lambda: each(lambda case: [wrong(case, chosen.sets)])),
        "power": (POWER, lambda: each(lambda case: power(case, few))),
        "cost": (COST, lambda: cost(5 * chosen.sets)),
        "runs": (RUNS, lambda: whole_runs(chosen.sets)),
        "among": (AMONG, lambda: among_others(10 * chosen.sets)),
    }
    for name in chosen.tables.split(","):
        head, make = makers[name]
        text = table(head, make())
        print(f"\n{text}", flush=True)
        if chosen.write:
            put(name, text)


if __name__ == "__main__":
    main()
