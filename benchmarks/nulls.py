"""How often claims are told wrong: lights drawn with known truth, under equal conditions and with effects at the bar.

python benchmarks/nulls.py [--sets N] [--write]
"""

from __future__ import annotations

import argparse
import itertools
import re
import sys
import time
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from null_lights import NIGHT, Sky, lights, own_nights, patches

from fourlight.stages.claim_file import Claim, shipped
from fourlight.stages.claims import tested
from fourlight.stages.series import Series

PAGE = Path(__file__).parent.parent / "docs" / "claims.md"
MEMORIES, NIGHTS, LIGHTS, PATCHES = (0.3, 0.6, 0.9), (1, 2, 3, 5), (12, 24, 60), (16, 36)
SHAPES = (0.0, 0.5)
"""Parts of the drift that have no memory."""

Draw = Callable[[np.random.Generator, Sky, float], Series]


@dataclass(frozen=True)
class Case:
    """One claim under one plan of nights, with lights drawn at any size of its effect."""

    claim: Claim
    plan: str
    draw: Draw
    stacks: bool = False
    """Patches of stacks, whose number stands in the place of that of lights."""
    nights: tuple[int, ...] = NIGHTS


def split(sky: Sky) -> np.ndarray:
    """The second half of every night."""
    night = np.sort(np.arange(sky.lights) % sky.nights)
    return np.concatenate([np.arange(c) >= c / 2 for c in np.bincount(night)])


def whole(sky: Sky) -> np.ndarray:
    """The last night; of five nights the second and the fourth."""
    night = np.sort(np.arange(sky.lights) % sky.nights)
    return np.isin(night, (1, 3)) if sky.nights >= 5 else night == sky.nights - 1


def own_sky(rng: np.random.Generator, sky: Sky, apart: bool = False) -> np.ndarray:
    """(nights,) logarithm of the sky of nights; ``apart``: moonlit nights and dark ones are equal in the mean."""
    moon = np.arange(sky.nights) == sky.nights - 1
    return NIGHT * own_nights(rng, sky, moon if apart else None)


def cases() -> list[Case]:
    named = {claim.name: claim for claim in shipped()}

    def one(name: str) -> Claim:
        """A claim in one plane, so that it is judged alone."""
        claim = named[name]
        return claim if len(claim.planes) < 3 else claim.model_copy(update={"planes": ("G",)})

    def stack(treatment: str, key: str) -> Draw:
        return lambda rng, sky, size: patches(rng, sky.lights, sky.memory, treatment, **{key: size})

    return [
        Case(one("green is idle"), "", lambda rng, sky, size: lights(rng, sky, green=size)),
        Case(one("one green is enough"), "", lambda rng, sky, size: lights(rng, sky, green=2 * size)),
        Case(one("the Moon night hurt"), "half of every night",
             lambda rng, sky, size: lights(rng, sky, split(sky), size, sky_nights=own_sky(rng, sky))),
        Case(one("the Moon night hurt"), "one night of several",
             lambda rng, sky, size: lights(rng, sky, whole(sky), size, sky_nights=own_sky(rng, sky, True)), nights=(2, 3)),
        Case(one("the Moon night hurt"), "two nights of five",
             lambda rng, sky, size: lights(rng, sky, whole(sky), size, sky_nights=own_sky(rng, sky)), nights=(5,)),
        Case(one("darks were needed"), "", stack("no darks", "noise"), stacks=True),
        Case(one("flats were needed"), "", stack("no flats", "uneven"), stacks=True),
        Case(one("rejecting the worst frames helped"), "", stack("without the worst tenth", "signal"), stacks=True),
        Case(one("rejecting the worst frames sharpened"), "", stack("without the worst tenth", "resolution"),
             stacks=True),
        Case(one("more subs would still help"), "", stack("half of the lights", "noise"), stacks=True),
        Case(one("red is blurrier than green"), "", lambda rng, sky, size: lights(rng, sky, red=size)),
        Case(one("the finer output grid gained resolution"), "", stack("twice finer grid", "resolution"), stacks=True),
        Case(one("one night was better than the others"), "equal nights",
             lambda rng, sky, size: lights(rng, Sky(sky.lights, sky.nights, sky.memory, sky.alone, 0.0), night_factor=size),
             nights=(2, 3, 5)),
        Case(one("cooling mattered"), "warm first half of every night",
             lambda rng, sky, size: lights(rng, sky, warm=size ** 2, sky_nights=own_sky(rng, sky))),
    ]  # fmt: skip


def skies(case: Case) -> list[Sky]:
    if case.stacks:
        return [Sky(m, 1, memory) for m, memory in itertools.product(PATCHES, MEMORIES)]
    plans = itertools.product(LIGHTS, case.nights, MEMORIES, SHAPES)
    return [Sky(n, nights, memory, alone) for n, nights, memory, alone in plans if n >= 4 * nights]


def rates(case: Case, sky: Sky, size: float, sets: int) -> np.ndarray:
    """Shares of lights drawn for which the claim is supported, contradicted, not told."""
    words = f"{case.claim.name} {case.plan} {sky} {size}"
    rng = np.random.default_rng(zlib.crc32(words.encode()))
    said = [
        found.verdict for _ in range(sets) for found in tested(case.draw(rng, sky, size), [case.claim])[:1]
    ]
    return np.array([said.count(word) for word in ("supported", "contradicted", "cannot tell")]) / sets


def row(case: Case, sets: int) -> list[str]:
    null, matters = case.claim.null, case.claim.matters
    without = np.array([rates(case, sky, null, sets) for sky in skies(case)])
    there = np.array([rates(case, sky, matters, sets) for sky in skies(case)]) if matters != null else without
    memory = np.array([sky.memory for sky in skies(case)])
    wrong, missed = without[:, 0], there[:, 1]
    return [
        case.claim.name,
        case.plan,
        str(memory.size * sets),
        *(
            f"{100 * found.mean():.1f} ({_by(memory, found)}; {100 * found.max():.1f})"
            for found in (wrong, missed)
        ),
        "yes" if max(wrong.mean(), missed.mean()) <= 0.06 else "no",
    ]


def _by(memory: np.ndarray, found: np.ndarray) -> str:
    return ", ".join(f"{100 * found[memory == each].mean():.1f}" for each in MEMORIES)


HEAD = (
    "claim", "nights", "sets", "supported without effect, %", "contradicted with an effect that matters, %",
    "at most 6 %",
)  # fmt: skip


def table(head: tuple[str, ...], rows: list[list[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", type=int, default=200, help="drawn for each plan")
    parser.add_argument("--only", default="", help="claims whose names begin so")
    parser.add_argument("--write", action="store_true", help="renew the tables of docs/claims.md")
    chosen = parser.parse_args()
    rows = []
    for case in cases():
        if case.claim.name.startswith(chosen.only):
            begun = time.monotonic()
            rows.append(row(case, chosen.sets))
            print(*rows[-1], f"{time.monotonic() - begun:.0f} s", sep=" | ", file=sys.stderr, flush=True)
    print(table(HEAD, rows))


if __name__ == "__main__":
    main()
