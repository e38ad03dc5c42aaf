"""Milliseconds in which the page sorts and filters its table of lights, in a real browser.

Usage: python benchmarks/page.py [--lights N] [--rounds N] [--write]

A project of N invented lights is served as `fourlight open` serves it, and looked at in Chromium without a screen, at
1280 x 900. Each act is done as a user does it: a click on the heading of a column, a letter of the text filter, a
choice of night, filter or state. Time runs from there until rows and charts are worked out and laid out, and until the
frame that shows them has been drawn (by the processor: there is no graphics card here).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from page_tables import write_table

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from web_browser import started, visit
from web_results import write_lights

PAGE = Path(__file__).parents[1] / "docs" / "page.md"
WANTED_MS = 100

ACTS = """
const [name, act] = [arguments[0], arguments[1]];
const done = arguments[arguments.length - 1];
const set = (field, value) => {
  field.value = value;
  field.dispatchEvent(new Event(field.tagName === "SELECT" ? "change" : "input"));
};
const labels = [...document.querySelectorAll("label")];
const field = (name) => labels.find((label) => label.textContent.startsWith(name)).querySelector("input, select");
const acts = {
  sort: () => [...document.querySelectorAll("th button")][act].click(),
  text: () => set(field("Text"), act),
  choice: () => set(field(act[0]), [...field(act[0]).options].at(act[1]).value),
};
const begun = performance.now();
acts[name]();
document.body.getBoundingClientRect();
const ready = performance.now() - begun;
requestAnimationFrame(() => {
  const after = new MessageChannel();
  after.port1.onmessage = () => done([ready, performance.now() - begun]);
  after.port2.postMessage(0);
});
"""


def acts(columns: int) -> dict[str, list[tuple[str, Any]]]:
    """What is done in one round, by what it is called in the table."""
    text = "night1 used"
    letters = [text[:k] for k in range(1, len(text) + 1)] + [text[:k] for k in range(len(text) - 1, -1, -1)]
    return {
        "sort by a column, each of them both ways": [("sort", k) for k in range(columns) for _ in range(2)],
        f"filter by text, each letter of “{text}” and back": [("text", letter) for letter in letters],
        "filter by night, filter or state, and back to all": [
            ("choice", (label, option)) for label in ("Night", "Filter", "State") for option in (1, 2, 0)
        ],
    }


def measured(browser: Any, rounds: int) -> dict[str, np.ndarray]:
    """(n, 2) milliseconds until laid out and until drawn, of every act of a kind."""
    columns = len(browser.find_elements("css selector", "th button"))
    times: dict[str, list[list[float]]] = {}
    for number in range(rounds + 1):
        for kind, each in acts(columns).items():
            found = [browser.execute_async_script(ACTS, *act) for act in each]
            if number:  # in the first round the browser compiles
                times.setdefault(kind, []).extend(found)
    return {kind: np.array(found) for kind, found in times.items()}


def table(times: dict[str, np.ndarray], lights: int) -> list[str]:
    """Rows for the page."""
    rows = [
        f"| {lights} lights; ms: median, 95 of 100, longest | laid out | drawn | wanted | reached by 95 of 100 |",
        "|---|---|---|---|---|",
    ]
    for kind, found in times.items():
        cells = [", ".join(f"{ms:.0f}" for ms in np.quantile(column, [0.5, 0.95, 1.0])) for column in found.T]
        reached = "yes" if np.quantile(found[:, 1], 0.95) < WANTED_MS else "no"
        rows.append(f"| {kind} | {cells[0]} | {cells[1]} | < {WANTED_MS} | {reached} |")
    return rows


def main() -> None:
    """Measure, print, and write the table where asked to."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--lights", type=int, default=500)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    browser = started()
    try:
        with tempfile.TemporaryDirectory() as place:
            visit(browser, write_lights(Path(place) / "results", chosen.lights), "frames")
            assert len(browser.find_elements("css selector", "tbody tr")) == chosen.lights
            rows = table(measured(browser, chosen.rounds), chosen.lights)
    finally:
        browser.quit()
    print("\n".join(rows))
    if chosen.write:
        write_table(PAGE, "frames", rows)


if __name__ == "__main__":
    main()
