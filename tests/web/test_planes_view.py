"""The planes in a real browser, by role and label: one place, scale and stretch for all, no request to elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from web_browser import MARKS, least_contrast, painted, screenshot, started, themed, visit
from web_results import write_halves, write_white

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
    """Keys that one panel gets move them all."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    def middle(name: str) -> str:
        ActionChains(page).move_to_element(panel(page, name)).perform()
        told = page.execute_script("return document.querySelector('output.values').textContent;")
        return str(told).partition(":")[0]

    before = middle("blue")
    assert before.startswith("x ")
    green = panel(page, "green")
    green.send_keys("1")
    green.send_keys(Keys.ARROW_LEFT * 3)
    (after,) = {middle(name) for name in ("green", "red", "blue")}
    assert after.startswith("x ")
    assert after != before
    green.send_keys("0")


def test_a_slider_changes_all_panels_and_no_light(page: Any) -> None:
    before = brightness(panel(page, "red"))
    black = page.find_element("css selector", "input[aria-label='black']")
    page.execute_script("arguments[0].value = 10; arguments[0].dispatchEvent(new Event('input'));", black)
    painted(page)
    assert sum(brightness(panel(page, "red"))) < 0.5 * sum(before)
    page.execute_script("arguments[0].value = -1.5; arguments[0].dispatchEvent(new Event('input'));", black)
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


def test_what_the_picture_has_white_is_white_in_the_colours(page: Any, results: Path, tmp_path: Path) -> None:
    """Light of an even spectrum has one brightness in all channels, whatever their sky and sensitivity."""
    visit(page, write_white(tmp_path / "out"))
    settle(page)
    for x in (0.5, 0.6):
        red, green, blue = brightness(panel(page, "in colour"), x)
        assert green > 60
        assert (red, blue) == pytest.approx((green, green), rel=0.03)
    assert brightness(panel(page, "blue"))[2] > 1.1 * brightness(panel(page, "red"))[0]
    visit(page, results)
    settle(page)


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


@pytest.fixture(scope="module")
def region_page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    browser = started()
    visit(browser, write_halves(tmp_path_factory.mktemp("halves") / "results"))
    settle(browser)
    yield browser
    browser.quit()


def edges(page: Any) -> list[Any]:
    return [
        page.find_element("css selector", f"form[aria-label='Region'] input[aria-label='{name} edge, px']")
        for name in ("left", "upper", "right", "lower")
    ]


def test_a_region_is_measured_by_its_edges(region_page: Any) -> None:
    """No pointer is needed."""
    from selenium.webdriver.common.keys import Keys

    for field, edge in zip(edges(region_page), (100, 80, 420, 300), strict=True):
        field.clear()
        field.send_keys(str(edge))
    edges(region_page)[3].send_keys(Keys.ENTER)
    table = region_page.find_element("css selector", "table[aria-label^='Region of 320 × 220 px']")
    rows = [row.text for row in table.find_elements("css selector", "tbody tr")]
    assert [row.rpartition(" %")[0] != "" for row in rows] == [True] * 4
    assert "fourlight channels" in region_page.find_element("css selector", ".region code").text


def test_a_region_is_dragged_in_any_panel(region_page: Any) -> None:
    from selenium.webdriver.common.action_chains import ActionChains

    region_page.find_element("xpath", "//button[.='choose a region']").click()
    green = panel(region_page, "green")
    ActionChains(region_page).move_to_element_with_offset(green, -40, -30).click_and_hold().move_by_offset(
        80, 60
    ).release().perform()
    left, upper, right, lower = (int(field.get_attribute("value")) for field in edges(region_page))
    title = f"Region of {right - left} × {lower - upper} px at {left}, {upper}"
    assert region_page.find_element("css selector", f"table[aria-label='{title}']")
    assert (left + right) / 2 == pytest.approx(450, abs=8)
    assert (right - left) / (lower - upper) == pytest.approx(80 / 60, rel=0.1)
    # dragging moves again
    button = region_page.find_element("xpath", "//button[.='choose a region']")
    assert button.get_attribute("aria-pressed") == "false"


def test_a_region_that_is_too_small_is_told(region_page: Any) -> None:
    from selenium.webdriver.common.keys import Keys

    for field, edge in zip(edges(region_page), (100, 80, 110, 300), strict=True):
        field.clear()
        field.send_keys(str(edge))
    edges(region_page)[3].send_keys(Keys.ENTER)
    painted(region_page)
    from selenium.webdriver.support.ui import WebDriverWait

    said = region_page.find_element("css selector", "#said[role=status]")
    WebDriverWait(region_page, 10).until(lambda _: "errors need 32 x 32 px" in said.text)
    assert [entry for entry in region_page.get_log("browser") if entry["source"] == "javascript"] == []


def arrange(page: Any, way: str) -> None:
    page.find_element("xpath", f"//label[starts-with(., 'Planes ')]/select/option[.='{way}']").click()
    painted(page)


def test_a_wipe_shows_one_plane_on_each_side(page: Any) -> None:
    arrange(page, "wipe")
    pick = "//label[starts-with(., '{}')]/select/option[.='{}']"
    page.find_element("xpath", pick.format("First", "red")).click()
    page.find_element("xpath", pick.format("Second", "blue")).click()
    painted(page)
    both = panel(page, "in colour")
    assert page.find_element("css selector", ".panels figcaption").text == "red | blue"
    left, right = (brightness(both, x)[0] for x in (0.25, 0.75))
    page.find_element("xpath", pick.format("First", "blue")).click()
    painted(page)
    assert brightness(both, 0.25)[0] != pytest.approx(left, abs=0.01)
    assert brightness(both, 0.75)[0] == pytest.approx(right, abs=0.01)
    edge = page.find_element("css selector", "input[aria-label='edge']")
    page.execute_script("arguments[0].value = 0; arguments[0].dispatchEvent(new Event('input'));", edge)
    arrange(page, "side by side")
    assert page.find_element("css selector", ".panels figcaption").text == "in colour"
    settle(page)


def test_a_blink_can_be_held(page: Any) -> None:
    """WCAG 2.2, 2.2.2 and 2.3.1: it can be stopped, and changes less than three times a second."""
    import time
    from itertools import pairwise

    arrange(page, "blink")
    page.find_element("xpath", "//label[starts-with(., 'First')]/select/option[.='green']").click()
    seen = []
    until = time.monotonic() + 2.5
    while time.monotonic() < until:
        seen.append(page.find_element("css selector", ".panels figcaption").text)
    changes = sum(one != other for one, other in pairwise(seen))
    assert 2 <= changes <= 7
    page.find_element("xpath", "//button[.='hold']").click()
    held = page.find_element("css selector", ".panels figcaption").text
    time.sleep(1.2)
    assert page.find_element("css selector", ".panels figcaption").text == held
    arrange(page, "side by side")


@pytest.mark.parametrize("theme", ["dark", "light", "night"])
def test_letters_stand_out_of_their_ground(region_page: Any, theme: str) -> None:
    """WCAG 2.2, 1.4.3: at least 4.5 to 1."""
    themed(region_page, theme)
    assert least_contrast(region_page) >= 4.5
    themed(region_page, "dark")
