"""Measure denoising, sharpening, star layer, colours and brightness against the truth of simulated nights.

Usage: python benchmarks/finish.py [--write] [--only TABLE ...] [--seeds N ...] [--kinds K ...] [--keep DIR]
       [--megapixels M]

Every set is simulated, integrated as by `fourlight run`, and finished; see `finish_sets.py`. ``--keep`` holds on to
the stacks, so that only what is measured is done again. Sharpening stands beside the Richardson-Lucy of scikit-image
with the same profile.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from accuracy import written
from finish_colours import star_colours
from finish_flaws import exchanged, flaws
from finish_luminance import luminance
from finish_measures import (
    gain_db,
    layer_errors,
    lone_stars,
    measured,
    parts,
    ring_correlation,
    starless_errors,
)
from finish_sets import COLOURS, KINDS, Planes, Set, made
from finish_ways import THREADS, smoothed, without_stars
from skimage.restoration import richardson_lucy

from fourlight.core.fieldprofile import FieldProfile, printed
from fourlight.core.gaps import fill_gaps
from fourlight.stages.canvas import Canvas
from fourlight.stages.denoise import denoise
from fourlight.stages.sharpen import sharpen
from fourlight.stages.star_layer import split_stars
from fourlight.stages.way import misfit

Float32 = npt.NDArray[np.float32]

PAGE = Path(__file__).parent.parent / "docs" / "finish.md"
ROUNDS = (10, 30)
"""Iterations of Richardson-Lucy."""


def denoising(known: Set) -> list[str]:
    """Gains by kind of pixel, lowest and highest of the three colours, and slopes."""
    started = time.perf_counter()
    result = smoothed(known)
    seconds = time.perf_counter() - started
    cells = []
    where = [parts(known, c) for c in COLOURS]
    for name in ("faint", "bright", "stars"):
        gains = [
            gain_db(known.planes[c], result.planes[c], known.truth[c], part[name])
            for c, part in zip(COLOURS, where, strict=True)
        ]
        cells.append(_range(gains, "+.1f"))
    every = np.all([part["stars"] for part in where], axis=0)
    before, after, truth = (
        np.concatenate([planes[c][every] for c in COLOURS])
        for planes in (known.planes, result.planes, known.truth)
    )
    cells.append(f"{gain_db(before, after, truth, np.ones(before.shape, dtype=bool)):+.1f}")
    before = min(float(np.nanmin(found.slopes)) for found in result.confirmed.values())
    after = min(float(np.nanmin(found.capped)) for found in result.confirmed.values())
    return [*cells, f"{before:.2f}", f"{after:.2f}", f"{seconds:.1f}"]


def _range(values: list[float], form: str) -> str:
    values = [value for value in values if np.isfinite(value)]
    if not values:
        return "none"
    low, high = (f"{value:{form}}" for value in (min(values), max(values)))
    return low if low == high else f"{low} to {high}"


def noise_left(seed: int, correlated: bool) -> float:
    """Share of pure noise that stays, noise three times as strong on one side as on the other."""
    rng = np.random.default_rng(seed)
    sigma = np.linspace(1, 3, 800)[None, :] * np.ones((600, 1))

    def drawn() -> Float32:
        white = rng.normal(size=(601, 801))
        if correlated:
            white = (white[1:, 1:] + white[1:, :-1] + white[:-1, 1:] + white[:-1, :-1]) / 2
        return (100 + white[:600, :800] * sigma).astype(np.float32)

    halves = tuple({c: drawn() for c in COLOURS} for _ in "ab")
    planes = {c: (halves[0][c] + halves[1][c]) / 2 for c in COLOURS}
    out = denoise(planes, dict.fromkeys(COLOURS, (sigma**2 / 2).astype(np.float32)), (halves[0], halves[1]))
    return max(
        float(out.planes[c][:, part].std() / planes[c][:, part].std())
        for c in COLOURS
        for part in (slice(0, 300), slice(500, 800))
    )


def large(known: Set, megapixels: float) -> tuple[float, float]:
    """Seconds for smoothing a large stack on two threads, and its megapixels: the set beside and below itself."""
    ny, nx = known.planes["G"].shape
    times = int(np.ceil(np.sqrt(megapixels * 1e6 / (ny * nx))))

    def wide(planes: Planes) -> Planes:
        return {c: np.tile(plane, (times, times)) for c, plane in planes.items()}

    first, second = map(wide, known.halves)
    every = replace(known, planes=wide(known.planes), variances=wide(known.variances), halves=(first, second))
    with tempfile.TemporaryDirectory() as folder:
        canvas = Canvas(Path(folder), memory_bytes=3e9, threads=THREADS)
        started = time.perf_counter()
        smoothed(every, canvas)
        return time.perf_counter() - started, every.planes["G"].size / 1e6


def sharpening(known: Set) -> list[list[str]]:
    """Rows for ours and for Richardson-Lucy, or one with the reason why nothing was done."""
    started = time.perf_counter()
    result = sharpen(
        known.planes, known.variances, known.halves, known.stars, full=known.saturation,
        misfit=misfit(known.method), canvas=Canvas(threads=THREADS),
    )  # fmt: skip
    seconds = time.perf_counter() - started
    if not result.done:
        return [[result.notes[0], *[""] * (len(HEADS["sharpening"]) - 2)]]
    wanted, profiles = exchanged(known, result.plan), result.plan.profiles
    found = [
        [flaws(known, c, image[c], light) for c in COLOURS]
        for image, light in ((known.planes, known.truth), (result.planes, wanted))
    ]
    cells = [
        " / ".join(_range([getattr(flaw, name) for flaw in each], form) for each in found)
        for name, form in (("notch", ".1f"), ("beside", ".2f"), ("mottle", ".2f"))
    ]
    rows = [[*_sharp_row("Fourlight", known, result.planes, wanted), *cells, f"{seconds:.1f}"]]
    for rounds in ROUNDS:
        started = time.perf_counter()
        other = {c: richardson_lucy_of(known, c, profiles[c], rounds) for c in COLOURS}
        seconds = time.perf_counter() - started
        name = f"Richardson-Lucy, {rounds} rounds"
        rows.append([*_sharp_row(name, known, other, wanted), "", "", "", f"{seconds:.1f}"])
    return rows


def richardson_lucy_of(known: Set, c: str, profile: FieldProfile | None, rounds: int) -> Float32:
    assert profile is not None
    ny, nx = profile.size
    spread = printed(profile.shape(nx / 2, ny / 2), profile.wings, profile.rest, 41)
    image = np.maximum(fill_gaps(known.planes[c]), 1e-3)
    top = float(image.max())
    wide = np.pad(image / top, 40, mode="reflect")
    out = richardson_lucy(wide, spread / spread.sum(), num_iter=rounds, clip=False)
    return (out[40:-40, 40:-40] * top).astype(np.float32)


def _sharp_row(name: str, known: Set, planes: Planes, wanted: Planes) -> list[str]:
    """Cells on lone stars, and on the correlation with the true light as narrow as planned."""
    narrower, flux, rings, worse = [], [], [], []
    for c in COLOURS:
        places = lone_stars(known, c)
        width = float(np.median(known.stars.fwhm_px))
        before, after = (measured(known, c, image[c], places, width) for image in (known.planes, planes))
        narrower.append(100 * (np.median(after.width) / np.median(before.width) - 1))
        flux.append(100 * (np.median(after.flux / before.flux) - 1))
        rings.append(float(np.quantile(after.ring, 0.1)))
        _, old = ring_correlation(known, c, known.planes[c], wanted[c])
        _, new = ring_correlation(known, c, planes[c], wanted[c])
        # beyond the first ring of one half noise decides: both curves are chance there
        seen = slice(0, int(np.argmax(old < 0.5)) or None)
        worse.append(float((new - old)[seen].min()))
    return [
        name, _range(narrower, "+.0f"), _range(flux, "+.2f"), _range(rings, "+.1f"), _range(worse, "+.4f"),
    ]  # fmt: skip


def layers(known: Set) -> list[str]:
    """How well stars and the rest come apart."""
    started = time.perf_counter()
    found = split_stars(
        known.planes, known.variances, known.stars, full=known.saturation, canvas=Canvas(threads=THREADS)
    )
    seconds = time.perf_counter() - started
    off = layer_errors(known, found.starless, found.stars)
    finished = without_stars(known)
    assert finished.starless is not None
    shown = starless_errors(known, finished.starless, finished.window)
    return [
        str(len(found.x)), f"{100 * found.mended.mean():.1f}", f"{off['sum']:.0e}", f"{off['beside stars']:.2f}",
        f"{off['under stars']:.2f}", f"{100 * off['dark spots']:.2f}", f"{100 * off['bright spots']:.2f}",
        f"{off['light']:.3f}", f"{shown['beside']:.2f}", f"{shown['under']:.2f}", f"{seconds:.1f}",
    ]  # fmt: skip


HEADS: dict[str, tuple[str, ...]] = {
    "denoising": (
        "set", "faint nebula, dB", "brighter, dB", "stars, dB", "stars, all colours together, dB", "lowest slope",
        "after capping", "seconds",
    ),
    "sharpening": (
        "set", "method", "star width, %", "star light, %", "deepest ring, sigma",
        "lowest change of correlation with the truth", "deepest notch between close stars, sigma, before / after",
        "error beside bright stars, sigma, before / after", "mottle in the dark, sigma, before / after", "seconds",
    ),
    "layers": (
        "set", "stars", "filled, %", "sum off by", "beside stars, noise", "under stars, noise", "dark spots, %",
        "bright spots, %", "star light over true", "finished picture: beside stars, noise", "under stars, noise",
        "seconds",
    ),
    "colours": (
        "set", "stars", "finished, median", "finished, 90 of 100 below", "stack as it came, median",
        "stack, 90 of 100 below",
    ),
    "luminance": ("set", "R, G, B in the brightness, %", "over the best", "a tenth of the pixels below"),
}  # fmt: skip


def table(name: str, rows: list[list[str]]) -> str:
    """Lines of a table."""
    heads = HEADS[name]
    return "\n".join(
        [f"| {' | '.join(heads)} |", "|---" * len(heads) + "|", *(f"| {' | '.join(row)} |" for row in rows)]
    )


ROWS: dict[str, Callable[[Set], list[list[str]]]] = {
    "denoising": lambda known: [denoising(known)],
    "sharpening": sharpening,
    "layers": lambda known: [layers(known)],
    "colours": lambda known: [star_colours(known)],
    "luminance": lambda known: [luminance(known)],
}
"""Rows of a set in each table."""


def _noise_line(seeds: list[int]) -> str:
    left = [max(noise_left(seed, correlated) for seed in seeds) for correlated in (False, True)]
    return (
        f"Of pure noise, three times as strong on one side as on the other, {100 * left[0]:.1f} % stay where pixels are"
        f" independent and {100 * left[1]:.1f} % where they share samples with their neighbours."
    )


def main() -> None:
    """Measure, print, and with --write put the tables into the page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, nargs="*", default=[77])
    parser.add_argument("--kinds", type=int, nargs="*", default=range(len(KINDS)))
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--megapixels", type=float, default=12.0)
    parser.add_argument("--only", nargs="*", choices=HEADS, default=list(HEADS))
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    rows: dict[str, list[list[str]]] = {name: [] for name in HEADS if name in chosen.only}
    lines: list[str] = []
    with tempfile.TemporaryDirectory() as spare:
        for seed in chosen.seeds:
            for number in chosen.kinds:
                kind = list(KINDS)[number]
                folder = (chosen.keep or Path(spare)) / f"{seed}-{number}"
                folder.mkdir(parents=True, exist_ok=True)
                known = made(kind, seed, folder)
                for name, own in rows.items():
                    own += [[kind, *row] for row in ROWS[name](known)]
                for name, found in rows.items():
                    print(table(name, found[-3:]), flush=True)
        if chosen.megapixels and "denoising" in rows:
            seconds, size = large(known, chosen.megapixels)
            lines.append(f"Denoising a stack of {size:.1f} megapixels takes {seconds:.0f} s on two threads.")
    tables: dict[str, Any] = {name: table(name, found) for name, found in rows.items()}
    if "denoising" in tables:
        tables["denoising"] += "\n\n" + "\n".join([*lines, _noise_line(chosen.seeds)])
    for name, text in tables.items():
        print(text)
        if chosen.write:
            written(name, text, PAGE)


if __name__ == "__main__":
    main()
