"""Pictures of the page in a real browser: docs/pictures/page-*.jpg.

Usage: python benchmarks/page_pictures.py RESULTS

RESULTS are those of a run, as `make demo` leaves them in demo/results. They are served as `fourlight open` serves them,
and looked at in Chromium without a screen, at 1280 x 900.
"""

from __future__ import annotations

import argparse
import sys
from contextlib import chdir
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from fourlight.pipeline.offers import Sources
from fourlight.pipeline.project import Project
from page_browser import one_of, opened, sized, until
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


def night(page: Any) -> None:
    """A night with a target, at a site that is invented, after tonight has come."""
    until(page, lambda: page.find_elements("css selector", ".answer h3"))
    one_of(page, "textbox", "target").send_keys("M 33")
    one_of(page, "textbox", "date").send_keys("2031-11-08")
    one_of(page, "button", "plan it").click()
    until(page, lambda: "half hour by half hour" in page.find_element("css selector", "main").text)
    until(page, lambda: page.execute_script(CHART))
    page.execute_script("document.querySelector('main').scrollIntoView();")


CHART = "return document.querySelector('.answer figure img')?.naturalWidth > 0;"
"""Whether the chart has come."""
SITES = "sites.toml"
SITE = (
    "[site.ledge]\nlatitude_deg = 31.5\nlongitude_deg = -38\nheight_m = 2100\nsky_mag = 21.6\nzone = '-3'\n"
)
"""A file of sites, as a user writes it, with one that is invented."""
VIEWS = {"picture": finished, "planes": planes, "frames": lights, "plan": night}


def main() -> None:
    """Write a picture of each view."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("results", type=Path)
    results = parser.parse_args().results.absolute()
    browser = started()
    try:
        browser.implicitly_wait(0)
        sized(browser, 1280)
        with TemporaryDirectory() as place, chdir(place):  # names of files are shown as they are given
            Path(SITES).write_text(SITE, encoding="utf-8")
            _taken(browser, results)
    finally:
        browser.quit()


def _taken(browser: Any, results: Path) -> None:
    for view, prepared in VIEWS.items():
        prepared(opened(browser, Project(results, Sources(sites=Path(SITES))), view))
        painted(browser)
        shot = Image.open(BytesIO(browser.get_screenshot_as_png())).convert("RGB")
        shot.save(PICTURES / f"page-{view}.jpg", quality=QUALITY, optimize=True)


if __name__ == "__main__":
    main()
