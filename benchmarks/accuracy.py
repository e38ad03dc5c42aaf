"""Measure a stack against the truth of simulated nights, and write the table in docs/accuracy.md.

Usage: python benchmarks/accuracy.py [SCENE.toml ...] [--method drizzle|least-squares] [--write]

Without scenes: the packaged demo and all of benchmarks/scenes. Frames and results go to a temporary folder.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from astropy.io import fits
from scipy.ndimage import map_coordinates, maximum_filter

from fourlight.core import maps
from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads, packaged

Float64 = npt.NDArray[np.float64]

HERE = Path(__file__).parent
PAGE = HERE.parent / "docs" / "accuracy.md"
PLANES = ("R", "G1", "G2", "B")
STAR_E = 0.5
"""Pixels with more starlight than this, and their neighbours, are left out: seeing differs from the truth's."""
GROWN_PX = 9


class Truth:
    """What a scene put into the reference frame, on the stack's grid."""

    def __init__(self, folder: Path, summary: dict[str, Any]) -> None:
        data = json.loads((folder / "truth" / "truth.json").read_text())
        self.frames = {str((folder / frame["file"]).resolve()): frame for frame in data["frames"]}
        still = [[1, 0, 0], [0, 1, 0]]
        reference = next(f for f in summary["frames"] if np.allclose(f["matrix"], still))
        self.reference = self.frames[str(Path(reference["path"]).resolve())]
        self.matrix = np.array(self.reference["matrix"])
        self.shape = (summary["grid"]["ny"], summary["grid"]["nx"])
        y, x = np.mgrid[: self.shape[0], : self.shape[1]].astype(float)
        self._place = maps.apply(self.matrix, x, y)
        self._hdus = fits.open(folder / "truth" / "truth.fits")
        stars = sum(self._plane(f"{name}_STARS", 1) for name in ("R", "G1", "B"))
        self.dark = maximum_filter(stars, GROWN_PX) < STAR_E

    def _plane(self, name: str, order: int) -> Float64:
        u, v = self._place
        return map_coordinates(self._hdus[name].data.astype(float), [v, u], order=order, mode="nearest")

    def light(self, frame: dict[str, Any]) -> float:
        """Light of a frame over that of the reference."""
        true = self.frames[str(Path(frame["path"]).resolve())]
        share = true["transparency"] * true["exposure_s"]
        return float(share / (self.reference["transparency"] * self.reference["exposure_s"]))

    def matrix_of(self, frame: dict[str, Any]) -> Float64:
        """True map of a frame to the stack."""
        true = np.array(self.frames[str(Path(frame["path"]).resolve())]["matrix"])
        return maps.composed(true, maps.inverse(self.matrix))

    def stars(self, plane: str) -> Float64:
        """Electrons of the stars in the reference frame; its seeing may be another."""
        return self._plane(f"{plane}_STARS", 1)

    def object(self, plane: str) -> Float64:
        """Electrons of the object in the reference frame, stars and sky apart."""
        area = abs(float(np.linalg.det(self.matrix[:, :2])))
        return self._plane(plane, 3) * self.reference["transparency"] * area


def blocks(image: Float64, side: int) -> Float64:
    """Means of square blocks."""
    ny, nx = (size // side for size in image.shape)
    cut = image[: ny * side, : nx * side].reshape(ny, side, nx, side)
    return cut.mean(axis=(1, 3))


def registration(summary: dict[str, Any], truth: Truth) -> tuple[float, float]:
    """Worst and median frame: rms over the frame's part of the stack, pixels."""
    ny, nx = truth.shape
    x, y = (part.ravel() for part in np.meshgrid(np.linspace(0, nx - 1, 20), np.linspace(0, ny - 1, 20)))
    found = []
    for frame in summary["frames"]:
        ours, true = maps.apply(np.array(frame["matrix"]), x, y), maps.apply(truth.matrix_of(frame), x, y)
        inside = (true[0] >= 0) & (true[1] >= 0) & (true[0] < nx) & (true[1] < ny)
        gap = (ours[0] - true[0]) ** 2 + (ours[1] - true[1]) ** 2
        found.append(np.sqrt(gap[inside].mean()))
    return float(max(found)), float(np.median(found))


def noise(stack: Any, halves: Any, truth: Truth, plane: str, side: int) -> dict[str, float]:
    """Actual over claimed noise of block means: stack less truth, and half less half; slope on the truth."""
    free = blocks(truth.dark.astype(float), side) > 0.999
    free[:2] = free[-2:] = free[:, :2] = free[:, -2:] = False
    known = truth.object(plane)
    value, variance = (stack[name].data.astype(float) for name in (plane, f"VAR_{plane}"))
    mean, error = blocks(value, side), np.sqrt(blocks(variance, side)) / side
    free &= np.isfinite(mean) & np.isfinite(error)
    y, x = np.nonzero(free)
    u, v = x / mean.shape[1] - 0.5, y / mean.shape[0] - 0.5
    surface = np.column_stack([np.ones(len(u)), u, v, u * v, u**2, v**2, blocks(known, side)[free]])
    fit = np.linalg.lstsq(surface / error[free][:, None], mean[free] / error[free], rcond=None)[0]
    pull = (mean[free] - surface @ fit) / error[free]
    a, b, va, vb = (
        halves[f"{kind}{plane}_{half}"].data.astype(float) for kind in ("", "VAR_") for half in "AB"
    )
    split = (blocks(a - b, side) / np.sqrt(blocks(va + vb, side)) * side)[free]
    split = split[np.isfinite(split)]
    return {
        "stack": float(pull.std()),
        "halves": float((split - np.median(split)).std()) if len(split) else float("nan"),
        "beyond": float((np.abs(pull) > 4).mean()),
        "slope": float(fit[-1]),
        "blocks": float(len(pull)),
    }


def measure(scene: str, method: str, work: Path) -> dict[str, str]:
    """One column of the table."""
    nights, out = work / "nights", work / "out"
    simulate(packaged("demo") if scene == "demo" else loads(Path(scene).read_text(encoding="utf-8")), nights)
    summary = run([nights], out, with_settings(Recipe(), [f"integrate.method={method}"]))
    truth = Truth(nights, summary)
    worst, middle = registration(summary, truth)
    light = np.array(
        [np.mean(list(f["transparency"].values())) / truth.light(f) - 1 for f in summary["frames"]]
    )
    with fits.open(out / "stack.fits") as stack, fits.open(out / "halves.fits") as halves:
        eight = [noise(stack, halves, truth, plane, 8) for plane in PLANES]
        wide = [noise(stack, halves, truth, plane, 16) for plane in PLANES]

    def span(rows: list[dict[str, float]], key: str, form: str = ".2f") -> str:
        low, high = (format(edge([row[key] for row in rows]), form) for edge in (min, max))
        return low if low == high else f"{low}-{high}"

    total = len(summary["frames"]) + sum("night" in item["file"] for item in summary["set_aside"])
    gain = summary["noise"]
    return {
        "lights used": f"{len(summary['frames'])} of {total}",
        "gain": f"{gain['gain_e_per_adu']:.3f} ({gain['gain_source']})",
        "registration, rms, median and worst frame": f"{middle:.4f}, {worst:.4f} px",
        "transparency of a frame, rms": f"{100 * light.std():.2f} %",
        "scale of the reference, error": f"{100 * light.mean():+.2f} %",
        "noise, stack less truth, 8 x 8": span(eight, "stack"),
        "noise, half less half, 8 x 8": span(eight, "halves"),
        "noise, stack less truth, 16 x 16": span(wide, "stack"),
        "noise, half less half, 16 x 16": span(wide, "halves"),
        "blocks of 8 x 8 beyond 4 sigma": span(eight, "beyond", ".1e"),
        "blocks of 8 x 8": span(eight, "blocks", ".0f"),
        "slope of stack on truth": span(eight, "slope", ".3f"),
    }


def table(columns: dict[str, dict[str, str]]) -> str:
    """The columns as a Markdown table."""
    names = list(columns)
    rows = [f"| | {' | '.join(names)} |", "|---|" + "---|" * len(names)]
    rows += [f"| {key} | " + " | ".join(columns[n][key] for n in names) + " |" for key in columns[names[0]]]
    return "\n".join(rows)


def written(name: str, lines: str, page: Path = PAGE) -> None:
    """Put a table between its marks into the page."""
    text = page.read_text(encoding="utf-8")
    start, end = (f"<!-- {name}: {word} -->" for word in ("table", "end"))
    before, _, rest = text.partition(start)
    page.write_text(f"{before}{start}\n{lines}\n{end}{rest.partition(end)[2]}", encoding="utf-8")


def main() -> None:
    """Measure, print, and with --write put the table into the page."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("scenes", nargs="*")
    arguments.add_argument("--method", default="drizzle")
    arguments.add_argument("--write", action="store_true")
    given = arguments.parse_args()
    scenes = given.scenes or ["demo", *sorted(str(path) for path in (HERE / "scenes").glob("*.toml"))]
    columns = {}
    for scene in scenes:
        with tempfile.TemporaryDirectory() as work:
            columns[Path(scene).stem.replace("_", " ")] = measure(scene, given.method, Path(work))
        print(table(columns), flush=True)
    if given.write:
        written(given.method, table(columns))


if __name__ == "__main__":
    main()
