"""Every view by role and label, on what a run of a small demo leaves, and on a project of 26 MP with 500 lights."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from fourlight.engine import Silent
from fourlight.pipeline.orders import MakeDemo
from fourlight.pipeline.project import Project
from fourlight.simulate import scene
from page_browser import all_of, one_of, opened, remarks, until
from web_browser import MARKS
from web_pictures import write_picture
from web_results import raw_light, write_lights, write_results

pytestmark = MARKS

LARGE = (4176, 6248)
"""Rows and columns of a sensor of 26 MP."""
SMALL = """
seed = 9
[camera]
width_px = 360
height_px = 260
[stars]
count = 160
cluster_count = 0
[[nights]]
count = 4
"""


class Mute(Silent):
    """Nobody listens, to lines neither."""

    def line(self, what: str, text: str) -> None:
        """Say nothing."""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory, looking: Any) -> Path:
    folder = tmp_path_factory.mktemp("real") / "demo"
    with pytest.MonkeyPatch.context() as patch, looking():
        patch.setattr(scene, "packaged", lambda name: scene.loads(SMALL))
        MakeDemo(folder).work(Mute())
    return folder / "results"


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = write_picture(write_lights(tmp_path_factory.mktemp("large") / "results", 500))
    raw_light(out.parent / "gone" / "sub_0003.fits")  # which is looked at, is there
    write_results_stack(out)
    ramp = np.linspace(30, 220, LARGE[1]).astype(np.uint8)
    Image.fromarray(np.broadcast_to(ramp[None, :, None], (*LARGE, 3)).copy()).save(out / "picture.jpg")
    return out


def write_results_stack(out: Path) -> None:
    """Put a stack of 26 MP in the place of the small one; nothing else is changed."""
    other = write_results(out.parent / "other", LARGE)
    (other / "stack.fits").replace(out / "stack.fits")


@pytest.fixture(scope="module", params=["demo", "large"])
def page(request: pytest.FixtureRequest, browser: Any) -> Iterator[Any]:
    project = Project(request.getfixturevalue(request.param))
    yield opened(browser, project)
    hosts = browser.execute_script(
        "return [...new Set(performance.getEntriesByType('resource').map(e => new URL(e.name).host))];"
    )
    assert hosts == [browser.execute_script("return location.host;")]
    assert remarks(browser) == []
    project.jobs.close(1)


def turned(page: Any, view: str) -> Any:
    """The main part of the page, once it shows a view that is chosen by its link."""
    (link,) = until(
        page, lambda: [each for each in all_of(page, "link", view) if each.text.split(":")[0] == view]
    )
    link.click()
    return until(page, lambda: page.find_elements("css selector", f"main[data-view={view.lower()}] > *"))


def lit(canvas: Any) -> bool:
    """Whether the middle of a canvas shows something."""
    script = (
        "const c = arguments[0]; return c.width > 0 && "
        "Math.max(...c.getContext('2d').getImageData(c.width / 2, c.height / 2, 1, 1).data.slice(0, 3)) > 0;"
    )
    return bool(canvas.parent.execute_script(script, canvas))


def test_planes_are_seen_whole_and_pixel_by_pixel(page: Any) -> None:
    from selenium.webdriver.common.action_chains import ActionChains

    turned(page, "Planes")
    panels = until(page, lambda: len(all_of(page, "image")) == 4 and all_of(page, "image"))
    until(page, lambda: all(map(lit, panels)))
    one_of(page, "button", "single pixels").click()
    values = page.find_element("css selector", "output.values")

    def single() -> bool:
        for step in (1, -1):  # numbers follow the pointer
            ActionChains(page, duration=0).move_to_element_with_offset(panels[1], step, 0).perform()
        return "electrons" in values.text and "mean of" not in values.text

    until(page, single)
    one_of(page, "button", "whole field").click()
    for way in ("wipe", "blink", "side by side"):
        one_of(page, "combobox", "Planes").find_element("xpath", f"option[.='{way}']").click()
        until(page, lambda: lit(panels[0]))


def test_lights_are_sorted_sought_and_looked_at(page: Any) -> None:
    turned(page, "Frames")
    rows = until(page, lambda: page.find_elements("css selector", "tbody tr"))
    one_of(page, "button", "Star width").click()
    assert page.find_element("css selector", "th[aria-sort='ascending']").text.startswith("Star width")
    page.find_element("xpath", "//label[starts-with(., 'Text')]/input").send_keys("_0003")
    until(page, lambda: 0 < len(page.find_elements("css selector", "tbody tr")) < len(rows))
    page.find_element("css selector", "tbody tr").click()
    until(page, lambda: "_0003" in page.find_element("css selector", ".shown").text)
    until(page, lambda: len(page.find_elements("css selector", ".shown img")) == 2)


def test_the_picture_is_seen_beside_its_steps(page: Any) -> None:
    turned(page, "Picture")
    canvas = until(page, lambda: page.find_elements("css selector", "main canvas"))[0]
    until(page, lambda: lit(canvas))
    before = one_of(page, "combobox", "before")
    before.find_element("xpath", "option[2]").click()
    until(page, lambda: lit(canvas))
    one_of(page, "button", "single pixels").click()
    assert [link.text for link in all_of(page, "link", "picture.")] == [
        "picture.jpg", "picture.png", "picture.tif",
    ]  # fmt: skip


def test_what_can_be_done_and_planned_is_offered(page: Any) -> None:
    turned(page, "Run")
    for name in ("Make the picture anew", "Measure the channels", "Test the claims"):
        one_of(page, "button", name)
    turned(page, "Plan")
    one_of(page, "button", "plan it")


def test_the_demo_tells_its_evidence_and_regions_and_changes_its_picture(browser: Any, demo: Path) -> None:
    project = Project(demo)
    opened(browser, project)
    turned(browser, "Evidence")
    until(browser, lambda: browser.find_elements("css selector", ".figures img"))
    assert "What every channel contributed" in browser.find_element("css selector", "main").text
    turned(browser, "Planes")
    for name, edge in zip(("left", "upper", "right", "lower"), (60, 60, 220, 200), strict=True):
        field = until(
            browser,
            lambda name=name: browser.find_elements("css selector", f"input[aria-label='{name} edge, px']"),
        )[0]
        field.clear()
        field.send_keys(str(edge))
    one_of(browser, "button", "measure").click()
    until(
        browser, lambda: browser.find_elements("css selector", "table[aria-label^='Region of 160 × 140 px']")
    )
    turned(browser, "Picture")
    one_of(browser, "radio", "bold").click()
    one_of(browser, "button", "Make the picture anew").click()
    until(browser, lambda: "the look bold" in browser.find_element("css selector", "main").text)
    project.jobs.close(1)
    assert remarks(browser) == []
