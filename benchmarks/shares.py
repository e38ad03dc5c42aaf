"""Shares of information of the channels against simulated truth, and how often their intervals hold it.

Usage: python benchmarks/shares.py [--repeats 200] [--only TABLE] [--write]

Accuracy: 40 lights over three nights of several scenes, a rectangle on the object. Coverage: many sets of three nights
of four lights whose skies, haze and seeing differ from night to night; the truth is the mean over all sets. Greens:
sets of twelve lights, dithered or not; the truth of both greens is one light.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from accuracy import Truth

from fourlight.pipeline.evidence import looked_at
from fourlight.pipeline.finished import finished_run
from fourlight.pipeline.intervals import interval
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads
from fourlight.stages.channel_shares import information
from fourlight.stages.contributions import ratios

Float64 = npt.NDArray[np.float64]
Box = tuple[int, int, int, int]

PAGE = Path(__file__).parent.parent / "docs" / "channels.md"
COLOURS = ("R", "G", "B")
NO_EVIDENCE = ["evidence.channels=false", "evidence.claims=false"]

SCENE = """
seed = {seed}
exposure_s = 180.0
[object]
kind = "disc"
{object}
[filter]
name = "{filter}"
[camera]
width_px = {width}
height_px = {height}
[stars]
count = {stars}
cluster_count = 0
[calibration]
darks = {calibration}
flats = {calibration}
bias = {calibration}
"""
NIGHT = """
[[nights]]
count = {count}
dither_px = {dither}
start_utc = "2031-08-{day}T23:30:00"
sky_mag = {sky:.3f}
seeing_arcsec = {seeing:.3f}
transparency = {transparency:.3f}
gradient = {gradient:.3f}
gradient_angle_deg = {angle:.1f}
"""


def scene(
    seed: int, counts: tuple[int, ...], size: tuple[int, int], filter_name: str = "none", calibration: int = 8,
    sky: float = 21.2, scatter: float = 0.15, dither: float = 6.0,
) -> str:  # fmt: skip
    """A disc in the middle of the field, under nights that differ."""
    random = np.random.default_rng(seed)
    text = SCENE.format(
        seed=seed, object="", filter=filter_name, width=size[0], height=size[1], calibration=calibration,
        stars=round(size[0] * size[1] / 1500),
    )  # fmt: skip
    for k, count in enumerate(counts):
        text += NIGHT.format(
            count=count, day=12 + 2 * k, sky=sky + scatter * random.standard_normal(),
            seeing=2.4 * np.exp(0.1 * random.standard_normal()), transparency=random.uniform(0.8, 1.0),
            gradient=random.uniform(0, 0.1), angle=random.uniform(0, 360), dither=dither,
        )  # fmt: skip
    return text


def true_information(
    folder: Path, summary: dict[str, Any], pixels: npt.NDArray[np.bool_]
) -> dict[str, float]:
    """Share of each channel on these pixels: n s^2 / v of every light, with what was simulated."""
    truth, data = Truth(folder, summary), json.loads((folder / "truth" / "truth.json").read_text())
    camera, exposure = data["scene"]["camera"], data["scene"]["exposure_s"]
    still = (
        camera["dark_e_per_s"] * exposure + camera["read_noise_e"] ** 2 + camera["gain_e_per_adu"] ** 2 / 12
    )
    parts = []
    for colour, plane in enumerate(("R", "G1", "B")):
        light = truth.object(plane) + truth.stars(plane) * truth.reference["transparency"]
        mean, total = float(light[pixels].mean()), 0.0
        for frame in summary["frames"]:
            true = truth.frames[str(Path(frame["path"]).resolve())]
            signal = mean * truth.light(frame)
            total += signal**2 / (signal + true["sky_e"][colour] + still)
        parts.append(total * (2 if plane == "G1" else 1))
    return dict(zip(COLOURS, (np.array(parts) / sum(parts)).tolist(), strict=True))


def measured(text: str, box: Box, work: Path | None) -> tuple[dict[str, Any], dict[str, float]]:
    """Shares of information that the run on a scene finds in the rectangle, and the true ones.

    Frames and stack stay in ``work``, and are taken from there where they are: evidence alone is then made again.
    """
    with tempfile.TemporaryDirectory() as scratch:
        folder, out = (work or Path(scratch)) / "raw", (work or Path(scratch)) / "out"
        made(text, work or Path(scratch))
        summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
        with finished_run(out) as done:
            found, ledger = looked_at(done, {"core": box})
            trials = information(ledger, done.nights)["core"]
        # pixels that full samples reach are not looked at
        pixels = np.asarray(found.labels >> found.names.index("core") & 1, dtype=np.bool_)
        told = {channel: interval(trial, 0.0, 1.0) for channel, trial in trials.items()}
        return told, true_information(folder, summary, pixels)


CASES = {
    "no filter, dark": {},
    "no filter, bright sky": {"sky": 18.5},
    "dual 7 nm": {"filter_name": "dual-7nm"},
    "dual wide, bright sky": {"filter_name": "dual-wide", "sky": 19.0},
}


def accuracy(work: Path | None) -> list[str]:
    """Rows of the table of accuracy: 40 lights over three nights."""
    rows = ["| 40 lights | found, R / G / B % | true | off by, points |", "|---|---|---|---|"]
    for number, (name, options) in enumerate(CASES.items()):
        found, true = measured(
            scene(52_000 + number, (14, 13, 13), (900, 700), **options),
            (330, 230, 570, 470),
            work and work / f"accuracy-{number}",
        )
        values = [found[c]["value"] for c in COLOURS]
        off = max(abs(v - true[c]) for v, c in zip(values, COLOURS, strict=True))
        rows.append(f"| {name} | {_row(values)} | {_row([true[c] for c in COLOURS])} | {100 * off:.2f} |")
        print(rows[-1], flush=True)
    return rows


def _row(values: list[float]) -> str:
    return " / ".join(f"{100 * value:.2f}" for value in values)


def coverage(repeats: int, work: Path | None) -> list[str]:
    """Rows of the table of coverage: how often intervals of three nights hold the truth of all."""
    sets = []
    for number in range(repeats):
        sets.append(
            measured(
                scene(31_000 + number, (4, 4, 4), (300, 240), calibration=4),
                (100, 70, 200, 170),
                work and work / f"coverage-{number}",
            )
        )
        print(f"{number + 1} of {repeats}", end="\r", flush=True)
    rows = [
        "| channel | true share % | intervals that hold it, of " + str(repeats) + " | half width, points |",
        "|---|---|---|---|",
    ]
    for c in COLOURS:
        true = float(np.mean([truth[c] for _, truth in sets]))
        held = sum(found[c]["low"] <= true <= found[c]["high"] for found, _ in sets)
        half = float(np.median([found[c]["high"] - found[c]["low"] for found, _ in sets])) / 2
        rows.append(f"| {c} | {100 * true:.2f} | {held} ({100 * held / repeats:.1f} %) | {100 * half:.2f} |")
        print(rows[-1], flush=True)
    return rows


BOXES = {"core": (100, 70, 200, 170), "small": (140, 110, 164, 134)}


GREENS = {
    "12 of one night, not dithered": ((12,), 0.0),
    "4 of each of three nights, not dithered": ((4, 4, 4), 0.0),
    "4 of each of three nights, dithered": ((4, 4, 4), 6.0),
}


def greens(repeats: int, work: Path | None) -> list[str]:
    """Rows of the table of both greens: how often intervals hold that they see one light."""
    rows = [
        "| lights | region | sets | lights left out: hold it; half, % | and what all share: hold it; half, % |",
        "|---|---|---|---|---|",
    ]
    for kind, (called, (counts, dither)) in enumerate(GREENS.items()):
        held: dict[tuple[str, str], list[tuple[bool, float]]] = {}
        for number in range(repeats):
            text = scene(71_000 + number, counts, (300, 240), calibration=4, dither=dither)
            with tempfile.TemporaryDirectory() as scratch:
                _greens(text, work / f"greens-{kind}-{number}" if work else Path(scratch), held)
            print(f"{number + 1} of {repeats}", end="\r", flush=True)
        for region in ("object", "stars", *BOXES):
            parts = [held[region, name] for name in ("lights", "all")]
            said = [
                f"{100 * np.mean([hit for hit, _ in part]):.1f} %; {100 * np.median([half for _, half in part]):.2f}"
                for part in parts
            ]
            rows.append(f"| {called} | {NAMES.get(region, region)} | {len(parts[0])} | {' | '.join(said)} |")
            print(rows[-1], flush=True)
    return rows


def _greens(text: str, place: Path, held: dict[tuple[str, str], list[tuple[bool, float]]]) -> None:
    """Add whether the intervals of one set hold that G1 over G2 is one, and their half widths."""
    made(text, place)
    with finished_run(place / "out") as done:
        _, ledger = looked_at(done, BOXES)
        for name, known in (("lights", replace(ledger, shared=None)), ("all", ledger)):
            for region, trials in ratios(known, done.nights).items():
                trial = trials["G1_over_G2"]
                hit = trial.low <= 1 <= trial.high
                held.setdefault((region, name), []).append((hit, (trial.high - trial.low) / 2))


NAMES = {"core": "100 x 100 px on the object", "small": "24 x 24 px on the object"}


def made(text: str, folder: Path) -> None:
    """Frames and stack of a scene in a folder, where they are not there."""
    if not (folder / "out" / "summary.json").exists():
        simulate(loads(text), folder / "raw")
        run([folder / "raw"], folder / "out", with_settings(Recipe(), NO_EVIDENCE))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--repeats", type=int, default=200)
    parser.add_argument("--work", type=Path, help="keep frames and stacks here, and use those that are here")
    parser.add_argument("--write", action="store_true", help="write the tables into docs/channels.md")
    parser.add_argument("--only", choices=["accuracy", "coverage", "greens"], help="one table alone")
    options = parser.parse_args()
    makers = {
        "accuracy": lambda: accuracy(options.work),
        "coverage": lambda: coverage(options.repeats, options.work),
        "greens": lambda: greens(min(options.repeats, 40), options.work),
    }
    tables = {name: make() for name, make in makers.items() if options.only in (None, name)}
    if options.write:
        text = PAGE.read_text(encoding="utf-8")
        for name, rows in tables.items():
            start, end = f"<!-- {name}: table -->\n", f"\n<!-- {name}: end -->"
            text = text[: text.index(start) + len(start)] + "\n".join(rows) + text[text.index(end) :]
        PAGE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
