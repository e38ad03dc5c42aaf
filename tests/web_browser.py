"""A real browser for tests of the page, and what they ask of it."""

from __future__ import annotations

import re
import shutil
import threading
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from fourlight.pipeline.project import Project
from fourlight.web.serving import serve

__all__ = ["MARKS", "least_contrast", "painted", "screenshot", "started", "themed", "visit"]

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
MARKS = [
    pytest.mark.slow,
    # Nothing but a browser can say what a page does; Debian's packages are chromium and chromium-driver.
    pytest.mark.skipif(not (BROWSER and DRIVER), reason="needs Chromium and its driver"),
]


def started() -> Any:
    """Chromium without a screen, 1280 x 900, which keeps what pages say to its console."""
    webdriver = pytest.importorskip("selenium.webdriver")
    options = webdriver.ChromeOptions()
    for word in ("--headless=new", "--no-sandbox", "--window-size=1280,900", "--disable-dev-shm-usage"):
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    options.binary_location = str(BROWSER)
    driver = webdriver.Chrome(options, webdriver.ChromeService(str(DRIVER)))
    driver.implicitly_wait(10)
    return driver


def visit(browser: Any, given: Path | Project, view: str = "") -> None:
    """Serve a project, or results in a folder, and open a view of it."""
    project = given if isinstance(given, Project) else Project(given)
    links, ready = [], threading.Event()

    def told(address: str) -> None:
        links.append(address)
        ready.set()

    threading.Thread(target=serve, args=(project, 0, told), daemon=True).start()
    assert ready.wait(20)
    browser.get(links[0])
    if view:
        browser.find_element("css selector", f"#views a[data-view='{view}']").click()


def painted(page: Any) -> None:
    """Wait until the browser has drawn what was changed."""
    page.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(arguments[0]));")


def themed(page: Any, theme: str) -> None:
    """Choose a theme as a user does."""
    page.find_element("css selector", f"#theme option[value='{theme}']").click()
    painted(page)


def screenshot(page: Any) -> Any:
    """What the window shows, (ny, nx, 3) from 0 to 255."""
    return np.asarray(Image.open(BytesIO(page.get_screenshot_as_png())).convert("RGB")).astype(int)


LETTERS = """
const plain = (colour) => colour !== "rgba(0, 0, 0, 0)";
const ground = (e) => { while (e && !plain(getComputedStyle(e).backgroundColor)) e = e.parentElement; return e; };
return [...document.querySelectorAll("main *, header *")]
  .filter((e) => e.checkVisibility() && [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim()))
  .map((e) => [e.ownerSVGElement ? getComputedStyle(e).fill : getComputedStyle(e).color, ground(e)])
  .filter(([, below]) => below).map(([ink, below]) => [ink, getComputedStyle(below).backgroundColor]);
"""


def least_contrast(page: Any) -> float:
    """Least ratio of contrast of letters to their ground, where that is one plain colour.

    WCAG 2.2: (L1 + 0.05) / (L2 + 0.05) of relative luminances.
    """
    found = page.execute_script(LETTERS)
    assert len(found) > 10
    pairs = {(ink, ground) for ink, ground in found if ground.startswith("rgb(")}
    return min(_contrast(ink, ground) for ink, ground in pairs)


def _contrast(one: str, other: str) -> float:
    low, high = sorted(map(_luminance, (one, other)))
    return (high + 0.05) / (low + 0.05)


def _luminance(colour: str) -> float:
    parts = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
