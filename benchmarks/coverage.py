"""How often intervals hold the truth: over unequal nights, and of channels whose light is as small as its error.

Usage: python benchmarks/coverage.py [--sets 4000]

Numbers alone, no pictures: nights differ by a normal deviate each, lights by another beside it. The tables are those of
docs/decisions/0016 and 0017.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy import special

from fourlight.core.starcolour import Balance
from fourlight.core.trials import Trial, jackknife
from fourlight.pipeline.intervals import interval
from fourlight.stages.channel_shares import shares
from fourlight.stages.contributions import Ledger
from fourlight.stages.nights import parts_of

Float64 = npt.NDArray[np.float64]

NIGHTS = {  # lights of each night, negative where they do not hold the value, and undated ones
    "12, 12, 12": ([12, 12, 12], 0),
    "40, 40, 4": ([40, 40, 4], 0),
    "20, 10, 5": ([20, 10, 5], 0),
    "40, 40, 40, 3": ([40, 40, 40, 3], 0),
    "30, 5, 5, 5, 5": ([30, 5, 5, 5, 5], 0),
    "six of 12": ([12] * 6, 0),
    "12, 12, 12, and 2, 1": ([12, 12, 12, 2, 1], 0),
    "12, 12, 12, and 36 undated": ([12, 12, 12], 36),
    "five of 12, known in three": ([12, 12, 12, -12, -12], 0),
}
LIGHTS = {"nights alone": 0.0, "lights as nights": 1.0, "lights alone": 1000.0}
WHITE = Balance(np.ones(3), 100, np.zeros((3, 3)))


def plain(whole: float, left: Float64, share: Float64, rest: Float64) -> Trial:
    """All nights alike, whatever they weigh."""
    return jackknife(whole, left)


def by_size(whole: float, left: Float64, share: Float64, rest: Float64) -> Trial:
    """The delete-m_j jackknife of Busing, Meijer & van der Leeden 1999 (formula from memory)."""
    k, h = left.size, 1 / share
    middle = k * whole - ((1 - share) * left).sum()
    error = float(np.sqrt((((h * whole - (h - 1) * left) - middle) ** 2 / (h - 1)).mean()))
    reach = float(special.stdtrit(k - 1, 0.975)) * error
    return Trial(whole, whole - reach, whole + reach, 0.0, error, k - 1)


def chosen(whole: float, left: Float64, share: Float64, rest: Float64) -> Trial:
    """Nights that scatter alike, times the sum of squared shares."""
    return jackknife(whole, left, share=share, rest=rest)


WAYS: dict[str, Callable[[float, Float64, Float64, Float64], Trial]] = {
    "plain": plain, "by size": by_size, "chosen": chosen,
}  # fmt: skip


def over_nights(sets: int) -> list[str]:
    """Rows of the table of nights: coverage, and half the width in that of the chosen way."""
    rows = [
        "| lights a night | what scatters | " + " | ".join(WAYS) + " | half width: plain, by size, chosen |",
        "|---|---|---|---|---|---|",
    ]
    for case, (sizes, undated) in NIGHTS.items():
        names = [f"{k}" for k, size in enumerate(sizes) for _ in range(abs(size))] + [None] * undated
        label = np.array([name or "none" for name in names])
        night = np.unique(label, return_inverse=True)[1]
        known = np.array([size > 0 for size in sizes for _ in range(abs(size))] + [True] * undated)
        parts = parts_of(names, known)
        for words, light in LIGHTS.items():
            rng, held, width = np.random.default_rng(1), np.zeros(3), np.zeros(3)
            for _ in range(sets):
                values = rng.normal(size=night.max() + 1)[night] + light * rng.normal(size=night.size)
                left = np.array([values[known & ~own].mean() for own in parts.nights])
                for k, way in enumerate(WAYS.values()):
                    trial = way(float(values[known].mean()), left, parts.share, parts.rest)
                    held[k] += trial.low <= 0 <= trial.high
                    width[k] += (trial.high - trial.low) / 2 / sets / max(light, 1)
            shown = " | ".join(f"{100 * part / sets:.1f} %" for part in held)
            rows.append(f"| {case} | {words} | {shown} | {', '.join(f'{part:.2f}' for part in width)} |")
            print(rows[-1], flush=True)
    return rows


def painted(light: Float64) -> Ledger:
    """Of sets as regions, from what each light shows of them, (f, 4, r)."""
    stack, even = light.mean(axis=0), np.full(light.shape, 60.0)
    names = tuple(f"{k}" for k in range(light.shape[2]))
    return Ledger(
        stack.T, light - stack, even, np.ones((*light.shape, 3)), np.ones(light.shape), 1000 / even, names
    )


def of_weak(sets: int) -> list[str]:
    """Rows of the table of weak channels: information of blue, and of two greens, of so many errors of light."""
    rows = [
        "| nights | light, errors | true share % | mean found | intervals that hold it | without width | half width |",
        "|---|---|---|---|---|---|---|",
    ]
    for weak, planes in {"B": [3], "G": [1, 2]}.items():
        for nights in (3, 4, 6):
            for errors in (0.0, 0.5, 1.0, 3.0):
                true = np.full(4, 60.0)
                true[planes] = 3.0 * errors
                rng = np.random.default_rng(7)
                scatter = 3.0 * np.sqrt(nights) * rng.normal(size=(nights, 4, sets))
                light = np.repeat(true[:, None] + scatter, 3, axis=0)
                names = np.repeat([f"{k}" for k in range(nights)], 3).tolist()
                told = shares(painted(light), names, WHITE)["information"].values()
                share = (true[planes] ** 2).sum() / (true**2).sum()
                ends = [interval(found[weak], 0.0, 1.0) for found in told]
                held = np.mean([end["low"] <= share <= end["high"] for end in ends])
                width = np.array([end["high"] - end["low"] for end in ends])
                mean = np.mean([end["value"] for end in ends])
                rows.append(
                    f"| {nights} | {weak}: {errors:g} | {100 * share:.3f} | {100 * mean:.3f} | {100 * held:.1f} % | "
                    f"{100 * np.mean(width == 0):.1f} % | {100 * np.median(width) / 2:.2f} |"
                )
                print(rows[-1], flush=True)
    return rows


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--sets", type=int, default=4000)
    options = parser.parse_args()
    over_nights(options.sets)
    of_weak(options.sets)


if __name__ == "__main__":
    main()
