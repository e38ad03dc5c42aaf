"""Lights of a run in a real browser, by role and label: sorted, filtered, drawn over the nights, and shown one by one.

Roles and states are those of WAI-ARIA 1.2 (aria-sort, grid, slider); contrast is that of WCAG 2.2, 1.4.3.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from fourlight.report import charts
from page_browser import sized
from page_manners import (
    test_everything_has_a_name as test_everything_has_a_name,
)
from page_manners import (
    test_it_goes_down_a_phone_and_not_aside as test_it_goes_down_a_phone_and_not_aside,
)
from page_manners import (
    test_letters_stand_out_of_their_ground as test_letters_stand_out_of_their_ground,
)
from web_browser import MARKS, painted, screenshot, started, themed, visit
from web_results import raw_light, write_lights

pytestmark = MARKS

LIGHTS = 60


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    folder = tmp_path_factory.mktemp("lights")
    browser = started()
    visit(
        browser, write_lights(folder / "results", LIGHTS, raw_light(folder / "raw" / "light.fits")), "frames"
    )
    assert rows(browser)
    yield browser
    browser.quit()


@pytest.fixture(autouse=True)
def unfiltered(page: Any) -> Iterator[None]:
    """Every test begins with all lights in order of time."""
    yield
    for name in ("Night", "Filter", "State"):
        pick(page, name, "all")
    write(page, "")
    head(page, "Start, UTC").click()
    if sorted_by(page) != ("Start, UTC", "ascending"):
        head(page, "Start, UTC").click()


def rows(page: Any) -> list[Any]:
    return list(page.find_elements("css selector", "table[role=grid][aria-label=Lights] tbody tr"))


def column(page: Any, name: str) -> list[str]:
    """Texts of a column from the top."""
    script = (
        "const t = document.querySelector('table[aria-label=Lights]');"
        "const k = [...t.tHead.rows[0].cells].findIndex(c => c.textContent === arguments[0]);"
        "return [...t.tBodies[0].rows].map(r => r.cells[k].textContent);"
    )
    return list(page.execute_script(script, name))


def head(page: Any, name: str) -> Any:
    return page.find_element("xpath", f"//table[@role='grid']//th/button[.='{name}']")


def sorted_by(page: Any) -> tuple[str, str]:
    (found,) = page.find_elements("css selector", "th[aria-sort]")
    return found.text.strip(" ↑↓"), found.get_attribute("aria-sort")


def pick(page: Any, name: str, words: str) -> None:
    page.find_element("xpath", f"//label[starts-with(., '{name} ')]/select/option[.='{words}']").click()


def write(page: Any, words: str) -> None:
    field = page.find_element("xpath", "//label[starts-with(., 'Text ')]/input")
    page.execute_script(
        "arguments[0].value = arguments[1]; arguments[0].dispatchEvent(new Event('input'));", field, words
    )


def counted(page: Any) -> str:
    return str(page.find_element("css selector", "output[aria-label='Lights shown'][role=status]").text)


def click(page: Any, row: Any) -> None:
    """Click on a row where it can be seen, not below the headings that stay."""
    page.execute_script("arguments[0].scrollIntoView({ block: 'center' });", row)
    row.click()


def shown(page: Any) -> Any:
    return page.find_element("css selector", "section[aria-label='Light shown']")


def chart(page: Any, name: str) -> Any:
    return page.find_element("css selector", f"[role=slider][aria-label^='{name}']")


def test_every_light_has_a_row_and_nothing_goes_wrong(page: Any) -> None:
    assert len(rows(page)) == LIGHTS
    assert counted(page) == f"{LIGHTS} of {LIGHTS} lights"
    assert [state for state in column(page, "State") if state.startswith("set aside: trailed")] != []
    assert page.get_log("browser") == []
    asked = page.execute_script(
        "return performance.getEntriesByType('resource').map(e => new URL(e.name).host);"
    )
    assert set(asked) == {page.execute_script("return location.host;")}


@pytest.mark.parametrize(
    "name", ["Star width, px", "Sky, e⁻", "Stars", "Transparency, %", "Weight", "Exposure, s"]
)
def test_columns_of_numbers_sort_by_number(page: Any, name: str) -> None:
    """Those that are not known stand last, whichever way: lights set aside have no weight."""
    for way, reverse in (("ascending", False), ("descending", True)):
        head(page, name).click()
        assert sorted_by(page) == (name, way)
        told = [text for text in column(page, name) if text != "–"]
        numbers = [float(text.replace(",", "")) for text in told]
        assert numbers == sorted(numbers, reverse=reverse)
        assert column(page, name)[: len(told)] == told
        assert (len(told) < LIGHTS) == (name == "Weight")


def test_names_sort_as_people_count(page: Any) -> None:
    head(page, "Light").click()
    assert column(page, "Light")[0] == "night1/sub_0000.fits"
    head(page, "Light").click()
    assert column(page, "Light")[0] == f"night3/sub_{LIGHTS - 1:04d}.fits"


def test_filters_hold_together(page: Any) -> None:
    pick(page, "State", "set aside")
    assert counted(page) == f"5 of {LIGHTS} lights"
    pick(page, "Night", "2031-03-02")
    assert column(page, "Light") == ["night1/sub_0011.fits", "night1/sub_0023.fits"]
    pick(page, "Filter", "dual-7nm")
    assert column(page, "Light") == []
    assert "No light passes" in page.find_element("tag name", "main").text
    pick(page, "Filter", "all")
    write(page, "TRAILED 0023")
    assert column(page, "Light") == ["night1/sub_0023.fits"]


def test_keys_go_through_rows_and_show_one(page: Any) -> None:
    from selenium.webdriver.common.keys import Keys

    reached = page.find_elements("css selector", "tbody tr[tabindex='0']")
    assert len(reached) == 1, "Tab stops once at the table"
    page.execute_script("arguments[0].focus();", rows(page)[0])
    active = page.switch_to.active_element
    active.send_keys(Keys.ARROW_DOWN * 3 + Keys.ARROW_UP)
    assert page.switch_to.active_element == rows(page)[2]
    page.switch_to.active_element.send_keys(Keys.END)
    assert page.switch_to.active_element == rows(page)[-1]
    page.switch_to.active_element.send_keys(Keys.HOME + Keys.ARROW_DOWN)
    page.switch_to.active_element.send_keys(Keys.ENTER)
    assert shown(page).find_element("tag name", "h2").text == "night1/sub_0001.fits"
    assert rows(page)[1].get_attribute("aria-selected") == "true"
    # its raw frame is gone
    told = shown(page).find_element("css selector", ".pictures .gone").text
    assert told.startswith("The raw frame is no longer at")


def test_a_row_that_is_clicked_shows_its_raw_frame(page: Any) -> None:
    click(page, rows(page)[0])
    for part in ("whole frame", "middle"):
        image = shown(page).find_element("css selector", f"img[alt^='Raw light'][alt*='{part}']")
        assert page.execute_async_script(
            "arguments[0].decode().then(() => arguments[1](arguments[0].naturalWidth));", image
        ) == (300 if part == "whole frame" else 128)


def test_why_a_light_was_set_aside_stands_beside_its_pictures(page: Any) -> None:
    pick(page, "State", "set aside")
    click(page, rows(page)[0])
    assert "Set aside: trailed: stars 2.6 times as long as wide, 1.0 is usual." in shown(page).text


def test_keys_go_through_a_chart_and_show_a_light(page: Any) -> None:
    from selenium.webdriver.common.keys import Keys

    drawing = chart(page, "Star width")
    drawing.send_keys(Keys.HOME + Keys.ARROW_RIGHT * 4)
    width = column(page, "Star width, px")[4]
    assert drawing.get_attribute("aria-valuetext") == f"night1/sub_0004.fits, {width}, used"
    drawing.send_keys(Keys.ENTER)
    assert shown(page).find_element("tag name", "h2").text == "night1/sub_0004.fits"
    assert rows(page)[4].get_attribute("aria-selected") == "true"
    # a chart goes through what passes the filters
    pick(page, "State", "set aside")
    chart(page, "Stars").send_keys(Keys.HOME)
    assert chart(page, "Stars").get_attribute("aria-valuetext").startswith("night1/sub_0011.fits")


AXIS = """
const [values, aside, done] = arguments;
import("/static/time_chart.js").then(({ TimeChart }) => {
  const reason = (k) => (k < values.length ? null : "trailed");
  const lights = [...values, aside].map((x, k) => ({ x, number: k, file: "light", reason: reason(k) }));
  const chart = new TimeChart({ key: "x", heading: "x", told: (light) => `${light.x}` }, lights, () => {});
  chart.leave();
  done([chart.marks[0], chart.marks.at(-1)]);
}, (error) => done(String(error)));
"""
"""Ends of the axis of some lights, and of one more that was set aside."""


def test_lights_set_aside_stretch_a_chart_as_far_as_in_the_report(page: Any) -> None:
    """To three times the span of those used, in all: of a span of 1, from 1 to 4 or from -1 to 2."""
    used = [1.0, 1.4, 2.0]
    for aside in (-1.1, -0.9, 3.9, 4.1):
        low, high = page.execute_async_script(AXIS, used, aside)
        first, *_, last = charts._axis(used, [aside], from_zero=False)
        assert (low <= aside <= high) == (first <= aside <= last) == (-1 < aside < 4)


def test_a_click_on_a_point_shows_its_light(page: Any) -> None:
    """The ring of the light that is shown lies at its point: a click there shows it again from any other."""
    from selenium.webdriver.common.action_chains import ActionChains

    click(page, rows(page)[30])
    painted(page)
    offset = page.execute_script(
        "const [c, s] = [arguments[0].querySelector('circle'), arguments[0]];"
        "return [c.cx.baseVal.value - s.clientWidth / 2, c.cy.baseVal.value - s.clientHeight / 2].map(Math.round);",
        chart(page, "Sky"),
    )
    name = column(page, "Light")[30]
    click(page, rows(page)[0])
    assert shown(page).find_element("css selector", "img[alt*='middle']")
    assert shown(page).find_element("tag name", "h2").text != name
    page.execute_script("arguments[0].scrollIntoView({ block: 'center' });", chart(page, "Sky"))
    ActionChains(page).move_to_element_with_offset(chart(page, "Sky"), *offset).click().perform()
    assert shown(page).find_element("tag name", "h2").text == name


def test_red_for_the_dark_is_red_with_pictures_and_charts(page: Any) -> None:
    click(page, rows(page)[0])
    assert shown(page).find_element("css selector", "img[alt*='middle']")
    themed(page, "night")
    shot = screenshot(page)
    assert shot[..., 1:].max() == 0
    assert shot[..., 0].max() > 150
    themed(page, "dark")
    assert screenshot(page)[..., 1:].max() > 150


@pytest.mark.parametrize("width", [1280, 820])
def test_nothing_lies_beyond_the_window(page: Any, width: int) -> None:
    page.set_window_size(width, 900)
    painted(page)
    size = "return [document.documentElement.scrollWidth, innerWidth];"
    wide, window = page.execute_script(size)
    assert wide <= window
    wide, box = page.execute_script(
        "const s = document.querySelector('.scrolled'); return [s.scrollWidth, s.clientWidth];"
    )
    assert wide <= box, "all columns are seen without scrolling"
    assert chart(page, "Transparency").size["width"] > 250
    page.set_window_size(1280, 900)


def test_a_view_that_was_left_before_it_was_ready_shows_nothing(page: Any) -> None:
    """Planes take longer to come than it takes to turn to another view."""
    from selenium.webdriver.support.ui import WebDriverWait

    page.execute_script("performance.clearResourceTimings(); location.hash = 'planes';")
    page.execute_script("location.hash = 'frames';")
    tiles = "return performance.getEntriesByType('resource').some(e => e.name.includes('/shown/stack'));"
    WebDriverWait(page, 20).until(lambda driver: driver.execute_script(tiles))
    painted(page)
    assert len(rows(page)) == LIGHTS
    assert page.execute_script("return document.querySelectorAll('main canvas').length;") == 0
    assert page.find_element("css selector", "#views a[aria-current='page']").text == "Frames"


@pytest.mark.parametrize("width", [1280, 820])
def test_headings_keep_to_their_columns(page: Any, width: int) -> None:
    sized(page, width)
    script = (
        "return [...document.querySelectorAll('.lights th button')]"
        ".filter(e => e.scrollWidth > e.clientWidth).map(e => e.textContent);"
    )
    found = page.execute_script(script)
    sized(page, 1280)
    assert found == []
