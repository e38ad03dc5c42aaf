"""The shipped claims, each with lights drawn at any size of its effect."""

from __future__ import annotations

import itertools
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from null_lights import NIGHT, Sky, lights, own_nights, patches

from fourlight.core.estimates import Estimate
from fourlight.stages.claim_file import Claim, loads, shipped
from fourlight.stages.claims import findings
from fourlight.stages.series import Series
from fourlight.stages.verdicts import Bar, verdicts

__all__ = ["MEMORIES", "Case", "Rates", "among_others", "cases", "found_from", "rates", "skies", "whole_runs"]

MEMORIES, NIGHTS, LIGHTS = (0.3, 0.6, 0.9), (1, 2, 3, 5), (12, 24, 60)
PATCHES, PATCH_MEMORIES = (16, 36, 64), (0.0, 0.3, 0.6)
SHAPES = (0.0, 0.5)
"""Parts of the drift that have no memory."""

OWN = """
[[claims]]
name = "halves differ"
question = "Do lights of the two halves bring different information?"
quantity = "information_per_hour"
compare = "ratio"
of = "half A"
against = "half B"
planes = ["G"]
null = 1.0
matters = 1.05
direction = "either"

[[claims]]
name = "noise grows with temperature"
question = "Does the noise grow with the temperature of the sensor?"
quantity = "noise"
compare = "slope"
over = "temperature"
step = 10
at_equal = ["sky"]
planes = ["G"]
null = 1.0
matters = 1.03
direction = "more"
"""
"""Claims as a user may add them: groups that alternate, and a slope."""

Draw = Callable[[np.random.Generator, Sky, float], Series]


@dataclass(frozen=True)
class Case:
    """One claim under one plan of nights."""

    claim: Claim
    plan: str
    draw: Draw
    far: float
    """An effect that no run should miss."""
    none: float
    """An effect that no run should take for one that matters."""
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


def own_sky(rng: np.random.Generator, sky: Sky) -> np.ndarray:
    """(nights,) logarithm of the sky of nights."""
    return NIGHT * own_nights(rng, sky)


def _stack(treatment: str, key: str) -> Draw:
    return lambda rng, sky, size: patches(rng, sky.lights, sky.memory, treatment, **{key: size})


def _moon(labels: Callable[[Sky], np.ndarray]) -> Draw:
    return lambda rng, sky, size: lights(rng, sky, labels(sky), size, sky_nights=own_sky(rng, sky))


def _equal_nights(rng: np.random.Generator, sky: Sky, size: float) -> Series:
    return lights(rng, replace(sky, night=0.0), night_factor=size)


def _halves(rng: np.random.Generator, sky: Sky, size: float) -> Series:
    drawn = lights(rng, sky)
    gain = np.where(np.array(drawn.halves) == "A", size, 1.0)[:, None]
    return replace(drawn, values={**drawn.values, "information": drawn.values["information"] * gain})


def _lone_moon(rng: np.random.Generator, sky: Sky, size: float) -> Series:
    """One moonlit night, whose sky is its own whatever the Moon does: the claim cannot tell the two."""
    return lights(rng, sky, whole(sky), size, sky_nights=NIGHT * rng.normal(size=sky.nights))


def cases() -> list[Case]:
    """Claims in one plane, so that each is judged alone."""
    named = {c.name: c if len(c.planes) < 3 else c.model_copy(update={"planes": ("G",)}) for c in shipped()}
    own = {claim.name: claim for claim in loads(OWN)}
    moon, worst = named["the Moon night hurt"], "without the worst tenth"
    return [
        Case(named["green is idle"], "", lambda rng, sky, size: lights(rng, sky, green=size), 0.01, 0.5),
        Case(
            named["one green is enough"], "", lambda rng, sky, size: lights(rng, sky, green=2 * size), 0.01, 0.4
        ),
        Case(moon, "half of every night moonlit", _moon(split), 0.1, 1.0),
        Case(moon, "one night of several moonlit", _lone_moon, 0.1, 1.3, nights=(2, 3)),
        Case(moon, "two nights of five moonlit", _moon(whole), 0.1, 1.0, nights=(5,)),
        Case(named["darks were needed"], "", _stack("no darks", "noise"), 2.0, 1.0, True),
        Case(named["flats were needed"], "", _stack("no flats", "uneven"), 0.3, 0.0, True),
        Case(named["rejecting the worst frames helped"], "", _stack(worst, "signal"), 1.3, 0.9, True),
        Case(named["rejecting the worst frames sharpened"], "", _stack(worst, "width_px"), 0.8, 1.1, True),
        Case(named["more subs would still help"], "", _stack("half of the lights", "noise"), 2.0, 1.0, True),
        Case(
            named["red is blurrier than green"], "", lambda rng, sky, size: lights(rng, sky, red=size), 1.3, 0.97
        ),
        Case(named["the finer output grid gained resolution"], "", _stack("twice finer grid", "width_px"), 0.6,
             1.0, True),
        Case(named["one night differed from the others"], "equal nights", _equal_nights, 5.0, 1.0, nights=(2, 3, 5)),
        Case(named["cooling mattered"], "warm first half of every night",
             lambda rng, sky, size: lights(rng, sky, warm=size**2, sky_nights=own_sky(rng, sky)), 2.0, 0.98),
        Case(own["halves differ"], "light by light in turns", _halves, 1.5, 1.0),
        Case(own["noise grows with temperature"], "cooling all night",
             lambda rng, sky, size: lights(rng, sky, warm=size ** 0.8, sky_nights=own_sky(rng, sky)), 2.0, 0.98),
    ]  # fmt: skip


def skies(case: Case) -> list[Sky]:
    if case.stacks:
        return [Sky(m, 1, memory) for m, memory in itertools.product(PATCHES, PATCH_MEMORIES)]
    plans = itertools.product(LIGHTS, case.nights, MEMORIES, SHAPES)
    return [Sky(n, nights, memory, alone) for n, nights, memory, alone in plans if n >= 4 * nights]


@dataclass(frozen=True)
class Rates:
    """Shares of the sets drawn."""

    supported: float
    contradicted: float
    below: float
    """p below 0.05."""
    inside: float
    """Truth inside the interval, of those that have one."""


def rates(case: Case, sky: Sky, size: float, sets: int) -> Rates:
    """Verdicts of a claim on lights drawn at this size of its effect."""
    words = f"{case.claim.name} {case.plan} {sky} {size}"
    rng = np.random.default_rng(zlib.crc32(words.encode()))
    told = [findings(case.draw(rng, sky, size), [case.claim])[0] for _ in range(sets)]
    numbers = [found for found in told if found.p is not None]
    return Rates(
        np.mean([found.verdict == "supported" for found in told]),
        np.mean([found.verdict == "contradicted" for found in told]),
        sum(found.p < 0.05 for found in numbers) / sets,
        np.mean([found.low <= size * (1 + 1e-9) and found.high >= size * (1 - 1e-9) for found in numbers] or [1.0]),
    )  # fmt: skip


def found_from(case: Case, sky: Sky, sets: int, verdict: str) -> float | None:
    """The size of an effect that is told so in four of five sets; None where not even a large one is."""
    near, far = (case.claim.matters, case.far if verdict == "supported" else case.none)

    def told(part: float) -> bool:
        size = near + part * (far - near)
        return getattr(rates(case, sky, size, sets), verdict) >= 0.8

    if not told(1.0):
        return None
    low, high = 0.0, 1.0
    for _ in range(6):
        middle = (low + high) / 2
        low, high = (low, middle) if told(middle) else (middle, high)
    return near + high * (far - near)


def whole_runs(sets: int) -> list[list[str]]:
    """All shipped claims at once, in all their planes: what part of what is told is wrong."""
    rows = []
    for name, share in (("nothing", 0.0), ("half of all claims", 0.5), ("all claims", 1.0)):
        rng = np.random.default_rng(7)
        wrong, told, number = {"supported": [], "contradicted": []}, 0, 0
        for _ in range(sets):
            series, true = _run(rng, share)
            found = findings(series, shipped())
            told += sum(each.verdict != "cannot tell" for each in found)
            for verdict, parts in wrong.items():
                said = [each for each in found if each.verdict == verdict]
                base = [_true(each.claim, true) for each in said]
                faults = sum(is_true != (verdict == "supported") for is_true in base)
                parts.append(faults / max(len(said), 1))
            number += 1
        rows.append([
            str(number), name, f"{told / number:.1f}",
            *(f"{100 * np.mean(wrong[verdict]):.1f}" for verdict in ("supported", "contradicted")),
        ])  # fmt: skip
    return rows


def among_others(sets: int) -> list[list[str]]:
    """Claims with nothing to them, each supported alone in one of forty runs, beside others: runs with a wrong one."""
    bar, either = Bar(0.0, 0.5, "more"), Bar(0.0, 0.5, "either")
    rng, rows = np.random.default_rng(9), []

    def wrong(drawn: list[np.ndarray], beside: list[Estimate], of: Bar) -> str:
        told = [
            "supported"
            in verdicts([*(_known(x, 1.0) for x in run), *beside], [of] * (len(run) + len(beside)))
            for run in drawn
        ]
        return f"{100 * np.mean(told):.1f}"

    for sure in (0, 5, 10, 20, 30):
        drawn = [rng.normal(size=10) for _ in range(sets)]
        rows.append(["10", f"{sure} sure effects of a third of what matters", str(sets),
                     wrong(drawn, [_known(0.15, 0.01)] * sure, bar)])  # fmt: skip
    for nights in (3, 5, 10):
        level = rng.normal(size=(sets, nights))
        apart = (level - level.mean(axis=1, keepdims=True)) * np.sqrt(nights / (nights - 1))
        rows.append(
            [str(nights), "nights, each against the others", str(sets), wrong(list(apart), [], either)]
        )
    return rows


def _known(value: float, error: float) -> Estimate:
    return Estimate(float(value), (error,), (1.0,), 1e6, 100)


def _true(name: str, true: dict[str, bool]) -> bool:
    return next(is_true for start, is_true in true.items() if name.startswith(start))


def _run(rng: np.random.Generator, share: float) -> tuple[Series, dict[str, bool]]:
    """A run of two nights of which some claims are true by exactly what matters, the others not at all."""
    names = [claim.name for claim in shipped()]
    true = {name: bool(rng.random() < share) for name in names}
    true["one green is enough"] = true["green is idle"]  # who has no green needs no second one
    sky = Sky(40, 2, 0.6, 0.5, night=0.0)
    drawn = lights(
        rng, sky, split(sky), 0.8 if true["the Moon night hurt"] else 1.0,
        warm=1.03**2 if true["cooling mattered"] else 1.0, green=0.1 if true["green is idle"] else 0.24,
        red=1.02 if true["red is blurrier than green"] else 1.0,
        night_factor=1.1 if true["one night differed from the others"] else 1.0,
    )  # fmt: skip
    made = {}
    for treatment, changes in {
        "no darks": {"noise": 1.05 if true["darks were needed"] else 1.0},
        "no flats": {"uneven": 0.02 if true["flats were needed"] else 0.0},
        "without the worst tenth": {
            "signal": 1.02 if true["rejecting the worst frames helped"] else 1.0,
            "width_px": 0.98 if true["rejecting the worst frames sharpened"] else 1.0,
        },
        "half of the lights": {"noise": 1.16 if true["more subs would still help"] else 1.0},
        "twice finer grid": {"width_px": 0.95 if true["the finer output grid gained resolution"] else 1.0},
    }.items():
        stacks = patches(rng, 36, 0.6, treatment, **changes).patches
        made[treatment] = {
            name: values / stacks["as run"][name] * made.get("as run", stacks["as run"])[name]
            for name, values in stacks[treatment].items()
        }
        made.setdefault("as run", stacks["as run"])
    return replace(drawn, patches=made), true
