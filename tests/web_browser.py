"""A real browser for tests of the page, and what they ask of it."""

from __future__ import annotations

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

__all__ = ["MARKS", "painted", "screenshot", "started", "themed", "visit"]

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


def visit(browser: Any, folder: Path, view: str = "") -> None:
    """Serve a project and open a view of it."""
    links, ready = [], threading.Event()

    def told(address: str) -> None:
        links.append(address)
        ready.set()

    threading.Thread(target=serve, args=(Project(folder), 0, told), daemon=True).start()
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
