"""Measure how truly widths of stars compare between colours, on small mosaic frames with known truth.

Usage: python benchmarks/widths.py [CASE ...] [--write] [--series N]

Frames are drawn by GalSim (profile over square pixels) with photon and read noise, measured and registered as in a
run, and their widths compared. Skies of the planes are 120, 260, 260 and 150 electrons, read noise 1.5; 60 stars of
all colours with 3,000 to 200,000 electrons in green.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
from accuracy import written

from fourlight.core import cfa
from fourlight.frames import RawFrame, RegisteredFrame, Role
from fourlight.recipe import Measure, Registration
from fourlight.stages.fringes import aligned
from fourlight.stages.measure import measure
from fourlight.stages.register import register
from fourlight.stages.width_ratio import width_ratio
from fourlight.stages.widths import FrameWidths, LightSamples, measure_widths

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from mosaic_stars import FINE, Profile, field, painted

Float64 = npt.NDArray[np.float64]

PAGE = Path(__file__).parent.parent / "docs" / "channels.md"
SHAPE, PATTERN = (340, 340), "RGGB"
SKY_E, READ_E = np.array([120.0, 260.0, 260.0, 150.0]), 1.5
WIDTHS_PX = (2.0, 2.5, 3.0, 4.0)
FRAMES = 12
STARS = 60
LIKELY = (
    Profile("moffat", 2.5), Profile("moffat", 3.5), Profile("moffat", 4.5), Profile("gaussian"),
    Profile("moffat", 3.5, 1.25, 30.0),
)  # fmt: skip
ODD = (Profile("kolmogorov"), Profile("halo"), Profile("defocus"), Profile("coma"))


def frames(
    rng: np.random.Generator, profile: Profile, fwhm: Float64, dither: float = 6.0
) -> tuple[list[RegisteredFrame], list[LightSamples]]:
    """A series of lights of one field; ``fwhm`` (f, 4) pixels."""
    place, electrons = field(rng, STARS, SHAPE)
    cell, found, samples = cfa.plane_map(PATTERN), [], []
    sky = SKY_E[cell][np.ix_(np.arange(SHAPE[0]) % 2, np.arange(SHAPE[1]) % 2)]
    for k, width in enumerate(fwhm):
        x, y = (place + np.round(rng.uniform(-dither, dither, 2) * FINE) / FINE).T
        light = painted(SHAPE, cell, x, y, electrons, profile, width)
        image = (rng.poisson(light + sky) + rng.normal(0, READ_E, SHAPE)).astype(np.float32)
        raw = RawFrame(Path(f"{k}.fits"), 0, *SHAPE, Role.LIGHT, "header")
        found.append(measure(raw, image, PATTERN, electrons=True, saturation=1e9, settings=Measure()))
        samples.append(LightSamples(image, PATTERN, found[-1].noise, True, 1e9))
    placed = [register(frame, found[0], Registration()) for frame in found]
    lost = [frame for frame in placed if not isinstance(frame, RegisteredFrame)]
    if lost:
        raise ValueError(lost[0].reason)
    return aligned([frame for frame in placed if isinstance(frame, RegisteredFrame)]), samples


def measured(
    rng: np.random.Generator, profile: Profile, fwhm: Float64, dither: float = 6.0
) -> list[FrameWidths]:
    """Widths of such a series."""
    lights, samples = frames(rng, profile, fwhm, dither)
    return measure_widths(lights, samples.__getitem__)


def seeing(rng: np.random.Generator, middle: float, count: int = FRAMES) -> Float64:
    """Widths of a series, 8 per cent about the middle, each like the one before (first-order autoregression, 0.7)."""
    steps, level = rng.normal(size=count), np.empty(count)
    level[0] = steps[0]
    for k in range(1, count):
        level[k] = 0.7 * level[k - 1] + np.sqrt(1 - 0.7**2) * steps[k]
    # in steps of five per cent, so that pictures of a profile are drawn once for many lights
    return np.asarray(middle * 1.05 ** np.round(1.6 * level))


def per_cent(values: npt.ArrayLike) -> str:
    """Mean and standard error of log ratios."""
    log = 100 * np.asarray(values)
    return f"{log.mean():+.2f} ± {log.std(ddof=1) / np.sqrt(len(log)):.2f}"


def equal(profiles: tuple[Profile, ...], count: int) -> Iterator[tuple[str, str, str, str]]:
    """Bias where all planes are as sharp: mean log ratio over series."""
    for profile in profiles:
        for width in WIDTHS_PX:
            rng = np.random.default_rng(7)
            log: dict[str, list[float]] = {"R": [], "B": []}
            for _ in range(count):
                for found in measured(rng, profile, np.full((FRAMES, 4), width)):
                    for colour in log:
                        log[colour].append(found.log_ratio(colour)[0])
            worst = max(abs(100 * np.mean(values)) for values in log.values())
            yield (
                f"equal: {profile}, FWHM {width:g} px: R/G, B/G less one, %", "within 0.3",
                ", ".join(per_cent(values) for values in log.values()), "yes" if worst <= 0.3 else "no",
            )  # fmt: skip


def likely(count: int) -> Iterator[tuple[str, str, str, str]]:
    """Profiles that the model can take on."""
    yield from equal(LIKELY, max(1, count // 100))


def odd(count: int) -> Iterator[tuple[str, str, str, str]]:
    """Profiles that it cannot."""
    yield from equal(ODD, max(1, count // 100))


def verdicts(rng: np.random.Generator, count: int, dither: float) -> tuple[Float64, Float64]:
    """In how many series of equal frames R and B are said to differ from green, and to be blurrier."""
    said, blurrier = np.zeros(2), np.zeros(2)
    for _ in range(count):
        profile = (*LIKELY, *ODD)[rng.integers(len(LIKELY) + len(ODD))]
        width = seeing(rng, WIDTHS_PX[rng.integers(len(WIDTHS_PX))])
        found = measured(rng, profile, np.repeat(width[:, None], 4, axis=1), dither)
        for k, colour in enumerate("RB"):
            trial = width_ratio(found, colour).trial
            said[k] += trial.p < 0.05
            blurrier[k] += trial.p < 0.05 and trial.value > 1
    return said, blurrier


def shares(number: Float64, count: int) -> tuple[str, str]:
    """Per cent, and whether that is at most six."""
    return ", ".join(f"{100 * part / count:.1f}" for part in number), "yes" if (
        number <= 0.06 * count
    ).all() else "no"


def nulls(count: int) -> Iterator[tuple[str, str, str, str]]:
    """How often chance is taken for a difference."""
    said, blurrier = verdicts(np.random.default_rng(11), count, 6.0)
    what = f"{count} series of {FRAMES} equal frames, seeing that changes: R, B said to"
    for does, number in (("be blurrier than G", blurrier), ("differ from G", said)):
        yield f"{what} {does}, %", "<= 6", *shares(number, count)


def still(count: int) -> Iterator[tuple[str, str, str, str]]:
    """The same where what the profile lacks is in all frames alike."""
    number = max(4, count // 5)
    said, _ = verdicts(np.random.default_rng(12), number, 0.0)
    yield f"{number} such series, not dithered: R, B said to differ from G, %", "<= 6", *shares(said, number)


def different(count: int) -> Iterator[tuple[str, str, str, str]]:
    """Whether a lens that blurs red is found, and how truly: it does more where the seeing is good."""
    number = max(4, count // 10)
    for more in (0.05, 0.01):
        rng, seen, values, held = np.random.default_rng(13), 0, [], 0
        for _ in range(number):
            profile = LIKELY[rng.integers(len(LIKELY))]
            middle = WIDTHS_PX[rng.integers(len(WIDTHS_PX))]
            width = seeing(rng, middle)
            red = np.sqrt(width**2 + middle**2 * ((1 + more) ** 2 - 1))
            trial = width_ratio(
                measured(rng, profile, np.column_stack([red, width, width, width])), "R"
            ).trial
            true = float(np.exp(np.mean(np.log(red / width))))
            seen += trial.p < 0.05 and trial.value > 1
            held += trial.low <= true <= trial.high
            values.append(trial.value / true - 1)
        what = f"{number} series of {FRAMES}, R wider by about {100 * more:g} %: found; ratio over true less one, %"
        wanted, reached = ("all", "yes" if seen == number else "no") if more == 0.05 else ("", "")
        yield f"{what}; truth inside interval", wanted, f"{seen}; {per_cent(values)}; {held}", reached


CASES: dict[str, Callable[[int], Iterator[tuple[str, str, str, str]]]] = {
    case.__name__: case for case in (likely, odd, nulls, still, different)
}


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("cases", nargs="*", metavar="CASE", help=", ".join(CASES))
    arguments.add_argument("--write", action="store_true", help="put the table into docs/channels.md")
    arguments.add_argument("--series", type=int, default=200, help="of equal frames")
    given = arguments.parse_args()
    rows = ["| what | wanted | measured | reached |", "|---|---|---|---|"]
    for case in given.cases or list(CASES):
        for line in CASES[case](given.series):
            rows.append("| " + " | ".join(line) + " |")
            print(rows[-1], flush=True)
    if given.write:
        written("sharpness", "\n".join(rows), PAGE)


if __name__ == "__main__":
    main()
