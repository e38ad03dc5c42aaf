"""The way through the page with nothing but keys, as WCAG 2.2 asks for (success criteria 2.1.1 and 2.4.3)."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import pytest

from fourlight.pipeline.project import Project
from job_orders import Waits
from page_browser import one_of, opened, text_of, until
from web_browser import MARKS
from web_pictures import write_picture
from web_results import raw_light, write_lights

pytestmark = MARKS

FAR = 60
"""Presses of Tab after which a thing cannot be said to be reached."""


@pytest.fixture(scope="module")
def waits(tmp_path_factory: pytest.TempPathFactory) -> Waits:
    """A job that ends only when it is stopped."""
    folder = tmp_path_factory.mktemp("job")
    return Waits(folder / "tidied", folder / "begun", title="Test the claims")


@pytest.fixture(scope="module")
def page(browser: Any, tmp_path_factory: pytest.TempPathFactory, waits: Waits) -> Iterator[Any]:
    folder = tmp_path_factory.mktemp("keys")
    out = write_lights(folder / "out", 12, raw_light(folder / "raw" / "light.fits"))
    project = Project(write_picture(out))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("fourlight.pipeline.project.order_for", lambda *_wish: waits)
        yield opened(browser, project)
        project.jobs.close(1)


def press(page: Any, *keys: str) -> None:
    """Press keys, wherever the page has its focus."""
    from selenium.webdriver.common.action_chains import ActionChains

    ActionChains(page, duration=0).send_keys(*keys).perform()


def reach(page: Any, name: str, *, back: bool = False) -> Any:
    """Press Tab until what has this name has the focus, and shows that it has."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    for _ in range(FAR):
        chain = ActionChains(page, duration=0)
        if back:
            chain.key_down(Keys.SHIFT)
        chain.send_keys(Keys.TAB).key_up(Keys.SHIFT).perform()
        active = page.switch_to.active_element
        if active.accessible_name.startswith(name):
            assert active.value_of_css_property("outline-style") != "none", f"nobody sees where {name} is"
            return active
    pytest.fail(f"Tab does not come to {name}")


def settled(page: Any, canvas: Any) -> str:
    """What a canvas shows once no more tiles come."""
    shown = ["", "-"]
    while shown[-1] != shown[-2] or len(shown[-1]) < 5000:
        time.sleep(0.15)
        shown.append(page.execute_script("return arguments[0].toDataURL();", canvas))
    return shown[-1]


def test_planes_are_zoomed_by_keys(page: Any) -> None:
    from selenium.webdriver.common.keys import Keys

    until(page, lambda: one_of(page, "link", "Picture").get_attribute("aria-current") == "page")
    reach(page, "Planes")
    press(page, Keys.ENTER)
    until(page, lambda: page.find_elements("css selector", "main[data-view=planes] canvas"))
    green = reach(page, "green;")
    whole = settled(page, green)
    press(page, "+", "+")
    until(page, lambda: settled(page, green) != whole)
    press(page, "0")
    until(page, lambda: settled(page, green) == whole)


def test_lights_are_sorted_and_shown_by_keys(page: Any) -> None:
    from selenium.webdriver.common.keys import Keys

    reach(page, "Frames", back=True)
    press(page, Keys.ENTER)
    until(page, lambda: page.find_elements("css selector", "main[data-view=frames] tbody tr"))
    reach(page, "Star width")
    press(page, Keys.ENTER)
    press(page, Keys.SPACE)
    head = page.find_element("css selector", "th[aria-sort]")
    assert (head.text.split()[0], head.get_attribute("aria-sort")) == ("Star", "descending")
    reach(page, "night1/")
    press(page, Keys.HOME, Keys.ENTER)
    shown = page.find_element("css selector", "section[aria-label='Light shown'] h2")
    assert shown.text == "night1/sub_0011.fits", "the one that was trailed is widest"


def test_a_job_is_started_and_stopped_by_keys(page: Any, waits: Waits) -> None:
    from selenium.webdriver.common.keys import Keys

    reach(page, "Run", back=True)
    press(page, Keys.ENTER)
    until(page, lambda: page.find_elements("css selector", "main[data-view=run] .offers button"))
    reach(page, "Test the claims")
    press(page, Keys.ENTER)
    until(page, waits.begun.exists)
    text_of(page, "status", "at work")
    reach(page, "stop")
    press(page, Keys.ENTER)
    text_of(page, "status", "stopped after")
    assert waits.tidied.exists()
    active = page.switch_to.active_element
    assert active.accessible_name.startswith("Test the claims"), "keys go on from what is told of the job"


def test_the_list_of_views_keeps_the_keys_when_a_job_ends(page: Any, waits: Waits) -> None:
    from selenium.webdriver.common.keys import Keys

    waits.begun.unlink()
    reach(page, "Test the claims")
    press(page, Keys.ENTER)
    until(page, waits.begun.exists)
    reach(page, "Frames", back=True)
    page.execute_script("before = document.activeElement; document.querySelector('.now button').click();")
    until(page, lambda: page.execute_script("return !before.isConnected;"))
    assert page.switch_to.active_element.text == "Frames"
