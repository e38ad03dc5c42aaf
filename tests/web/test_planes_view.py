"""The planes in a real browser, by role and label: one place, scale and stretch for all, no request to elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from web_browser import MARKS, painted, screenshot, started, themed, visit

pytestmark = MARKS


@pytest.fixture(scope="module")
def page(results: Path) -> Iterator[Any]:
    browser = started()
    visit(browser, results)
    settle(browser)
    yield browser
    browser.quit()


def panel(page: Any, name: str) -> Any:
    return page.find_element("css selector", f"canvas[role=img][aria-label^='{name};']")


def settle(page: Any) -> None:
    """Wait until every panel shows what it should: the middle of no panel is black."""
    script = (
        "const cs = [...document.querySelectorAll('canvas')]; return cs.length > 0 && cs.every(c => c.width > 0 && "
        "c.getContext('2d').getImageData(c.width / 2, c.height / 2, 1, 1).data[1] + "
        "c.getContext('2d').getImageData(c.width / 2, c.height / 2, 1, 1).data[0] > 0);"
    )
    from selenium.webdriver.support.ui import WebDriverWait

    WebDriverWait(page, 30).until(lambda driver: driver.execute_script(script))


def brightness(canvas: Any, x: float = 0.5, y: float = 0.5) -> list[int]:
    """Mean of some pixels around a place of a canvas, given as parts of its size."""
    script = (
        "const c = arguments[0]; const d = c.getContext('2d').getImageData(arguments[1] * c.width - 10, arguments[2] * "
        "c.height - 10, 20, 20).data; const s = [0, 0, 0]; for (let k = 0; k < d.length; k++) if (k % 4 < 3) "
        "s[k % 4] += d[k]; return s.map(v => v / 400);"
    )
    return list(canvas.parent.execute_script(script, canvas, x, y))


def test_all_planes_are_shown_and_nothing_goes_wrong(page: Any) -> None:
    assert page.title.endswith("Fourlight")
    for name in ("in colour", "red", "green", "blue"):
        assert 10 < sum(brightness(panel(page, name))) / 3 < 200
    # reading pixels back, which is this test's doing, is remarked on as "rendering"
    said = [entry for entry in page.get_log("browser") if entry["source"] != "rendering"]
    assert said == []


def test_no_request_leaves_this_machine(page: Any) -> None:
    asked = page.execute_script(
        "return performance.getEntriesByType('resource').map(e => new URL(e.name).host);"
    )
    assert len(asked) > 5
    assert set(asked) == {page.execute_script("return location.host;")}


def test_zoom_and_place_are_those_of_all_panels(page: Any) -> None:
    from selenium.webdriver.common.keys import Keys

    green = panel(page, "green")
    green.send_keys("1")
    green.send_keys(Keys.ARROW_LEFT * 3)
    spot = "return document.querySelector('output.values').textContent;"
    told = []
    for name in ("red", "blue"):
        from selenium.webdriver.common.action_chains import ActionChains

        ActionChains(page).move_to_element(panel(page, name)).perform()
        told.append(page.execute_script(spot).partition(":")[0])
    assert told[0] == told[1]
    assert told[0].startswith("x ")
    panel(page, "green").send_keys("0")


def test_a_slider_changes_all_panels_and_no_light(page: Any) -> None:
    before = brightness(panel(page, "red"))
    black = page.find_element("css selector", "input[aria-label='black']")
    page.execute_script("arguments[0].value = 10; arguments[0].dispatchEvent(new Event('input'));", black)
    painted(page)
    assert sum(brightness(panel(page, "red"))) < 0.5 * sum(before)
    page.execute_script("arguments[0].value = -3; arguments[0].dispatchEvent(new Event('input'));", black)
    painted(page)
    assert brightness(panel(page, "red")) == pytest.approx(before, abs=0.5)


def test_a_channel_can_be_taken_out_of_the_colours(page: Any) -> None:
    whole = brightness(panel(page, "in colour"))
    box = page.find_element("xpath", "//label[contains(., 'green in the colours')]/input")
    box.click()
    painted(page)
    left = brightness(panel(page, "in colour"))
    assert left[1] == 0
    assert left[0] == pytest.approx(whole[0], abs=0.5)
    box.click()


def test_red_for_the_dark_is_red_everywhere(page: Any) -> None:
    themed(page, "night")
    for name in ("in colour", "red", "green", "blue"):
        r, g, b = brightness(panel(page, name))
        assert r > 10
        assert g == b == 0
    shot = screenshot(page)
    assert shot[..., 1:].max() == 0
    assert shot[..., 0].max() > 150
    themed(page, "dark")
