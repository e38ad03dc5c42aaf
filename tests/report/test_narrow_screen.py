"""On a narrow screen wide tables and charts scroll in boxes of their own, and the page itself does not."""

import re
import shutil
import subprocess

import numpy as np
import pytest
from PIL import Image

from fourlight.report.page import page
from fourlight.report.step_views import HONESTY
from invented_run import provenance, summary

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
MEASURE = """<script>
document.querySelectorAll("details").forEach(d => d.open = true);
const wide = element => element.scrollWidth > element.clientWidth;
const cut = [...document.querySelectorAll(".words, .scroll, .short")].filter(wide).length;
const shown = [...document.querySelectorAll(".chart")].filter(c => c.clientWidth);
const small = shown.map(c => c.clientWidth / c.viewBox.baseVal.width);
const root = document.documentElement, boxes = [...document.querySelectorAll(".table, .scroll")];
document.title = [root.scrollWidth, root.clientWidth, boxes.filter(wide).length, cut,
  100 * Math.min(...small) | 0, [...document.querySelectorAll(".many")].filter(wide).length].join();
</script>"""


def long_named(made=None):
    """A run with names that have no place to break, and with what was drawn of it in the folder ``made``."""
    facts = summary()
    name = "a_name_without_any_blank_" * 6
    facts["object"] = name
    facts["frames"][0]["file"] = facts["set_aside"][0]["file"] = f"{name}.fits"
    facts["set_aside"][0]["reason"] = facts["assumptions"][0] = f"like {name}"
    facts["grid"]["reference"] = f"{name}.fits"
    facts["picture"] = {"steps": [{"name": "stack", "file": None, "notes": [f"like {name}"]}]}
    planes = {plane: np.eye(40, dtype=np.float32) for plane in ("R", "G1", "G2", "B")}
    rejected = np.eye(900, 1400, dtype=np.float32)
    return page(facts, np.zeros((40, 60, 3), np.float32), planes, provenance(), rejected=rejected, made=made)


def test_every_table_and_chart_lies_in_a_box_that_can_be_scrolled_by_keys():
    made = long_named()
    for tag in ("<table", '<svg class="chart"'):
        boxes = re.findall(rf'<div class="(?:table[^"]*|scroll)" tabindex="0">\s*{tag}', made)
        assert len(boxes) == made.count(tag) > 0


def measured(tmp_path, text, width):
    """Widths of page and screen, boxes that scroll, boxes of words or charts that do, scale of the smallest chart."""
    file = tmp_path / "report.html"
    file.write_text(text.replace("</body>", f"{MEASURE}</body>"), encoding="utf-8")
    words = [
        BROWSER,
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        f"--user-data-dir={tmp_path / 'profile'}",
    ]
    words += [f"--window-size={width},900", "--dump-dom", file.as_uri()]
    shown = subprocess.run(words, capture_output=True, text=True, timeout=120, check=True).stdout
    return [int(n) for n in re.search(r"<title>([\d,]+)</title>", shown)[1].split(",")]


@pytest.mark.slow
# .ci/run installs Chromium; a user who runs the tests need not have it.
@pytest.mark.skipif(BROWSER is None, reason="needs Chromium")
@pytest.mark.parametrize("width", [500, 800, 1280])
def test_the_page_is_never_wider_than_the_screen(tmp_path, width):
    Image.new("RGB", (1920, 1400)).save(tmp_path / HONESTY)
    text = long_named(tmp_path)
    assert "What it rests on" in text
    whole, screen, scrolling, cut, _, _ = measured(tmp_path, text, width)
    assert whole <= screen <= width
    assert scrolling >= 1  # the table of all lights with a long name
    assert cut == 0 or width > 560, "tables of words are stacked"


@pytest.mark.slow
# .ci/run installs Chromium; a user who runs the tests need not have it.
@pytest.mark.skipif(BROWSER is None, reason="needs Chromium")
@pytest.mark.parametrize("width", [500, 800, 900, 1280])
def test_both_nights_and_all_columns_are_seen(tmp_path, width):
    planes = {plane: np.eye(40, dtype=np.float32) for plane in ("R", "G1", "G2", "B")}
    text = page(summary(), np.zeros((40, 60, 3), np.float32), planes, provenance())
    _, _, _, cut, scale, many = measured(tmp_path, text, width)
    assert cut == 0, "charts over time, tables of words and the table of nights fit the screen"
    # Labels of 13 px: nine are read without effort (common practice, no source).
    assert scale > 70, "and charts are not so small that their labels cannot be read"
    assert many == 0 or width < 1280, "the table of all lights fits a usual screen"


SHARES = """<script>
const rows = [...document.querySelectorAll(".shared tbody tr")];
const lines = rows.map(r => new Set([...r.querySelectorAll(".number")].map(n => n.getBoundingClientRect().top)).size);
const beyond = rows.flatMap(r => [...r.cells]).filter(c => c.scrollWidth > c.clientWidth + 1).length;
document.title = [Math.max(...lines), beyond].join();
</script>"""


@pytest.mark.slow
# .ci/run installs Chromium; a user who runs the tests need not have it.
@pytest.mark.skipif(BROWSER is None, reason="needs Chromium")
@pytest.mark.parametrize("half", [0.001, 0.04])
def test_shares_are_no_long_ribbon_on_a_narrow_screen(tmp_path, monkeypatch, half):
    """Five numbers in two lines below their bar, not each below the next."""
    entry = {"value": 0.22, "low": 0.22 - half, "high": 0.22 + 2 * half}
    kinds = ("electrons", "luminance", "information", "detail")
    by_region = {region: dict.fromkeys(("R", "G", "G1", "G2", "B"), entry) for region in ("object", "stars")}
    facts = {
        "shares": dict.fromkeys(kinds, by_region),
        "regions": {key: {} for key in by_region},
        "lights": 9,
    }
    planes = {plane: np.eye(40, dtype=np.float32) for plane in ("R", "G1", "G2", "B")}
    text = page(summary(), np.zeros((40, 60, 3), np.float32), planes, provenance(), channels=facts)
    monkeypatch.setattr(f"{__name__}.MEASURE", SHARES)
    lines, beyond = measured(tmp_path, text, 500)
    assert lines == 2
    assert beyond == 0
