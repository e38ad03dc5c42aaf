"""Pictures of the page in a real browser: docs/pictures/page-*.jpg.

Usage: python benchmarks/page_pictures.py RESULTS

RESULTS are those of a run, as `make demo` leaves them in demo/results. They are served as `fourlight open` serves them,
and looked at in Chromium without a screen, at 1280 x 900.
"""

from __future__ import annotations

import argparse
import sys
from io import BytesIO
from pathlib import Path
from typing import Any

from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from fourlight.pipeline.project import Project
from page_browser import opened, sized, until
from web_browser import painted, started

PICTURES = Path(__file__).parents[1] / "docs" / "pictures"
QUALITY = 85
DRAWN = """
const canvases = [...document.querySelectorAll("main canvas")];
const middle = (c) => c.getContext("2d").getImageData(c.width / 2, c.height / 2, 1, 1).data;
const came = performance.getEntriesByType("resource").map((entry) => entry.responseEnd);
return canvases.length >= arguments[0] && canvases.every((c) => c.width && middle(c)[0] + middle(c)[1] > 0)
  && performance.now() - Math.max(arguments[1], ...came) > 3000;
"""
"""Whether so many canvases show something, and nothing has come for 3 s since a time of the page's clock."""


def drawn(page: Any, canvases: int) -> None:
    """Wait until everything is here that is seen now."""
    now = page.execute_script("return performance.now();")
    until(page, lambda: page.execute_script(DRAWN, canvases, now))


def finished(page: Any) -> None:
    """The finished picture, with one group of its settings unfolded."""
    drawn(page, 1)
    page.find_element("xpath", "//details[summary[.='gradient']]/summary").click()


def planes(page: Any) -> None:
    """All planes, twice as near as the whole field."""
    from selenium.webdriver.common.keys import Keys

    drawn(page, 4)
    panel = page.find_element("css selector", "canvas")
    panel.send_keys("+", Keys.ARROW_RIGHT, Keys.ARROW_UP)
    page.execute_script("document.activeElement.blur();")
    drawn(page, 4)


def lights(page: Any) -> None:
    """A light that was set aside, in the table, in the charts and as it looks."""
    until(page, lambda: page.find_elements("css selector", "tbody tr.aside"))[0].click()
    until(page, lambda: len(page.find_elements("css selector", ".pictures img")) == 2)
    page.execute_async_script(
        "Promise.all([...document.querySelectorAll('.pictures img')].map((i) => i.decode())).then(arguments[0]);"
    )


VIEWS = {"picture": finished, "planes": planes, "frames": lights}


def main() -> None:
    """Write a picture of each view."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("results", type=Path)
    chosen = parser.parse_args()
    browser = started()
    try:
        browser.implicitly_wait(0)
        sized(browser, 1280)
        for view, prepared in VIEWS.items():
            prepared(opened(browser, Project(chosen.results), view))
            painted(browser)
            shot = Image.open(BytesIO(browser.get_screenshot_as_png())).convert("RGB")
            shot.save(PICTURES / f"page-{view}.jpg", quality=QUALITY, optimize=True)
    finally:
        browser.quit()


if __name__ == "__main__":
    main()
