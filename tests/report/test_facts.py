"""The picture's caption and the row of facts under it."""

import re
from pathlib import Path

import numpy as np
import pytest

from fourlight.report import page as module
from fourlight.report.opening import heading
from fourlight.report.page import page
from invented_run import provenance, summary


def shown(facts):
    return page(facts, np.zeros((4, 6, 3), np.float32), {}, provenance())


@pytest.mark.parametrize(("angle", "told"), [(0, False), (3, False), (90, True), (180, True), (-178.6, True)])
def test_a_picture_that_is_turned_against_the_first_light_says_so(angle, told):
    facts = summary()
    cosine, sine = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    first = min(facts["frames"], key=lambda frame: frame["time"])
    first["matrix"] = [[cosine, -sine, 5.0], [sine, cosine, 7.0]]
    caption = shown(facts).partition("<figcaption>")[2].partition("</figcaption>")[0]
    assert (f"turned by {abs(angle):.0f}° against the first light ({first['file']})" in caption) is told


def test_no_fact_stands_alone_in_the_last_row_of_a_wide_page():
    """Columns of a grid that fills itself: as many as fit with their gaps (CSS Grid 1, 7.2.3.2 auto-fill)."""
    style = (Path(module.__file__).parent / "style.css").read_text(encoding="utf-8")
    widest, side = map(
        int, re.search(r"main { max-width: (\d+)px; margin: 0 auto; padding: 0 (\d+)px", style).groups()
    )
    least, gap = map(
        int, re.search(r"\.facts {.*minmax\((\d+)px, 1fr\)\); gap: \d+px (\d+)px", style).groups()
    )
    columns = (widest - 2 * side + gap) // (least + gap)
    facts = heading(summary())["facts"]
    assert len(facts) % columns != 1
