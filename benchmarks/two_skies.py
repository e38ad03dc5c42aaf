"""Gain and read noise that lights of two sky levels tell, against what was simulated.

    python benchmarks/two_skies.py --write

Headers say nothing of the gain, there are neither flats nor bias frames, and the level of no light is given.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from typing import Any

from astropy.io import fits

from fourlight.pipeline.run import run
from fourlight.recipe import Recipe, with_settings
from fourlight.simulate.render import simulate
from fourlight.simulate.scene import loads

PAGE = Path(__file__).parent.parent / "docs" / "accuracy.md"

SCENE = """
seed = {seed}
exposure_s = {exposure}
[object]
seed = {seed}
[camera]
width_px = 1500
height_px = 1000
gain_e_per_adu = {gain}
read_noise_e = {read_noise}
offset_adu = 500
[stars]
count = 900
[calibration]
bias = 0
darks = 0
flats = 0
[[nights]]
count = 8
sky_mag = {dark}
[[nights]]
count = 8
start_utc = "2031-08-20T23:40:00"
sky_mag = {bright}
"""

CASES: tuple[dict[str, float], ...] = (
    {"gain": 0.8, "read_noise": 1.6, "dark": 21.4, "bright": 20.0, "exposure": 120},
    {"gain": 0.35, "read_noise": 1.2, "dark": 21.6, "bright": 20.3, "exposure": 60},
    {"gain": 1.3, "read_noise": 2.4, "dark": 21.0, "bright": 19.2, "exposure": 120},
    {"gain": 0.6, "read_noise": 3.2, "dark": 21.4, "bright": 20.6, "exposure": 90},
    {"gain": 0.25, "read_noise": 1.5, "dark": 21.8, "bright": 20.2, "exposure": 60},
    {"gain": 1.0, "read_noise": 3.5, "dark": 21.2, "bright": 18.8, "exposure": 120},
)
SETTINGS = ["read.black_adu=500", "evidence.channels=false", "evidence.claims=false"]


def noise_of(seed: int, case: dict[str, float]) -> dict[str, Any]:
    """Noise model of a run on one simulated set whose headers are silent about the gain."""
    with tempfile.TemporaryDirectory() as scratch:
        raw = Path(scratch) / "raw"
        simulate(loads(SCENE.format(seed=seed, **case)), raw)
        for path in raw.rglob("*.fits"):
            with fits.open(path, mode="update") as hdus:
                hdus[0].header.remove("EGAIN", ignore_missing=True)
        noise: dict[str, Any] = run([raw], Path(scratch) / "out", with_settings(Recipe(), SETTINGS))["noise"]
        return noise


def rows() -> list[str]:
    """Rows of the table, one per set."""
    found = [
        "| sky of two nights, mag, and sub | gain, e/ADU | found | off by | read noise, e | found | off by |",
        "|---|---|---|---|---|---|---|",
    ]
    for number, case in enumerate(CASES):
        noise = noise_of(70_100 + number, case)
        assert noise["gain_source"] == noise["read_noise_source"] == "lights", noise
        cells = [f"{case['dark']:g} and {case['bright']:g}, {case['exposure']:g} s"]
        for key, truth in (("gain_e_per_adu", case["gain"]), ("read_noise_e", case["read_noise"])):
            error = noise[key.replace("_e_per_adu", "").replace("_e", "") + "_error"]
            cells += [
                f"{truth:g}",
                f"{noise[key]:.4f} +- {error:.4f}",
                f"{100 * (noise[key] / truth - 1):+.2f} %",
            ]
        found.append("| " + " | ".join(cells) + " |")
        print(found[-1], flush=True)
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true", help="write the table into docs/accuracy.md")
    table = rows()
    if parser.parse_args().write:
        text = PAGE.read_text(encoding="utf-8")
        start, end = "<!-- two skies: table -->\n", "\n<!-- two skies: end -->"
        text = text[: text.index(start) + len(start)] + "\n".join(table) + text[text.index(end) :]
        PAGE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
