"""How soon the page shows the planes of a large stack, follows its sliders, and shows single pixels, in a real browser.

Usage: python benchmarks/page_planes.py [--rows N] [--columns N] [--rounds N] [--write]

A stack of three planes with one star on an even sky (26 MP each unless told otherwise) is served as `fourlight open`
serves it, and looked at in Chromium without a screen, at 1280 x 900: four panels. The load of the machine
is printed with the figures, for those of a machine that has other work to do say little.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from page_tables import write_table

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from web_browser import started, visit
from web_results import write_results

PAGE = Path(__file__).parents[1] / "docs" / "page.md"
FIRST_MS, SLID_MS, NEAR_MS = 600, 40, 300
"""What is wanted."""
SHOWN = """
const done = arguments[arguments.length - 1];
const seen = (c) => c.width && c.getContext("2d").getImageData(c.width / 2, c.height / 2, 1, 1).data[1] > 0;
const look = () => {
  const all = [...document.querySelectorAll("main canvas")];
  if (all.length === 4 && all.every(seen)) done(performance.now());
  else requestAnimationFrame(look);
};
look();
"""
"""Milliseconds from the start of the navigation until every panel shows its middle."""
SLID = """
const [value, done] = arguments;
const slider = document.querySelector("input[aria-label=black]");
const begun = performance.now();
slider.value = value;
slider.dispatchEvent(new Event("input"));
requestAnimationFrame(() => {
  const after = new MessageChannel();
  after.port1.onmessage = () => done(performance.now() - begun);
  after.port2.postMessage(0);
});
"""
NEARED = """
const done = arguments[arguments.length - 1];
performance.clearResourceTimings();
const begun = performance.now();
[...document.querySelectorAll("button")].find((button) => button.textContent === "single pixels").click();
const look = () => {
  const came = performance.getEntriesByType("resource").map((entry) => entry.responseEnd);
  const last = Math.max(...came);
  if (came.length && performance.now() - last > 1500) done([last - begun, came.length]);
  else setTimeout(look, 100);
};
look();
"""
"""Milliseconds until the last tile has come, after which there is none for 1.5 s, and how many came."""


def told(name: str, times_ms: list[float], wanted_ms: int) -> str:
    """One row of what was measured."""
    middle, most, longest = np.quantile(times_ms, [0.5, 0.95, 1.0])
    reached = "yes" if middle <= wanted_ms else "no"
    return f"| {name} | {middle:.0f}, {most:.0f}, {longest:.0f} | {len(times_ms)} | {wanted_ms} | {reached} |"


def measured(browser: Any, results: Path, rounds: int) -> list[str]:
    """Rows of what was measured; at the very first the program has read nothing, and compiled nothing."""
    visit(browser, results)
    first = [browser.execute_async_script(SHOWN)]
    anew = []
    for _ in range(rounds):
        visit(browser, results)
        anew.append(browser.execute_async_script(SHOWN))
    values = np.linspace(-6, 6, 12 * rounds).tolist()
    whole = [browser.execute_async_script(SLID, value) for value in values]
    near, tiles = browser.execute_async_script(NEARED)
    single = [browser.execute_async_script(SLID, value) for value in values]
    again = []
    for _ in range(rounds):
        browser.refresh()
        again.append(browser.execute_async_script(SHOWN))
    return [
        told("first picture, browser and program just started", first, FIRST_MS),
        told("first picture, program just started", anew, FIRST_MS),
        told("first picture, opened again", again, FIRST_MS),
        told("a slider moved, whole field", whole, SLID_MS),
        told("a slider moved, single pixels", single, SLID_MS),
        told(f"single pixels, until the last of {tiles} tiles", [near], NEAR_MS),
    ]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rows", type=int, default=4176)
    parser.add_argument("--columns", type=int, default=6248)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    browser = started()
    browser.set_script_timeout(120)
    try:
        with tempfile.TemporaryDirectory() as place:
            results = write_results(Path(place) / "results", (chosen.rows, chosen.columns))
            load = os.getloadavg()[0]
            lines = measured(browser, results, chosen.rounds)
    finally:
        browser.quit()
    size = f"three planes of {chosen.columns} x {chosen.rows} px"
    rows = [
        f"| {size}; ms: median, 95 of 100, longest | | times | wanted | reached |",
        "|---|---|---|---|---|",
        *lines,
    ]
    print("\n".join(rows), f"load {load:.1f} before, {os.getloadavg()[0]:.1f} after", sep="\n")
    if chosen.write:
        write_table(PAGE, "planes", rows)


if __name__ == "__main__":
    main()
