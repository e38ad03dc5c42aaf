"""Marks on lights in a real browser: by pointer and by keys, one and several, with reasons, undone, and run."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from fourlight.pipeline.project import Project
from fourlight.recipe import Recipe
from job_orders import Steps
from page_browser import all_of, one_of, opened, remarks, text_of, until
from page_manners import test_everything_has_a_name as test_everything_has_a_name
from page_manners import test_it_fits_the_screen as test_it_fits_the_screen
from page_manners import test_letters_stand_out_of_their_ground as test_letters_stand_out_of_their_ground
from web_browser import MARKS
from web_results import raw_light, write_lights

pytestmark = MARKS
LIGHTS = 24
TRAILED = 11


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Project:
    folder = tmp_path_factory.mktemp("marks")
    out = write_lights(folder / "results", LIGHTS, raw_light(folder / "raw" / "light.fits"))
    facts = {"inputs": {}, "searched": [], "steps": [], "recipe": Recipe().model_dump()}
    (out / "provenance.json").write_text(json.dumps(facts))
    return Project(out)


@pytest.fixture(scope="module")
def page(browser: Any, project: Project) -> Iterator[Any]:
    opened(browser, project, "frames")
    until(browser, lambda: len(rows(browser)) == LIGHTS)
    rows(browser)[0].find_element("css selector", "td.file").click()
    yield browser
    refused = "400 (Bad Request)"  # a mark without a reason, and one that means nothing
    assert [entry for entry in remarks(browser) if refused not in entry["message"]] == []


@pytest.fixture(autouse=True)
def unmarked(page: Any) -> Iterator[None]:
    """Every test begins without ticks, marks or a reason."""
    yield
    for box in page.find_elements("css selector", "tbody input:checked"):
        box.click()
    while one_of(page, "button", "undo").is_enabled():
        before = one_of(page, "button", "redo").is_enabled(), marks(page)
        one_of(page, "button", "undo").click()
        until(page, lambda was=before: (one_of(page, "button", "redo").is_enabled(), marks(page)) != was)
    one_of(page, "combobox-text", "Reason").clear()


def rows(page: Any) -> list[Any]:
    return list(page.find_elements("css selector", "table[role=grid][aria-label=Lights] tbody tr"))


def state(page: Any, row: int) -> str:
    return str(rows(page)[row].find_element("css selector", "td.state").text)


def marks(page: Any) -> list[str]:
    """Words on the next run in the table, from the top."""
    return [cell.text for cell in page.find_elements("css selector", "td.state") if "next run" in cell.text]


def tick(page: Any, row: int) -> Any:
    return rows(page)[row].find_element("css selector", "input[type=checkbox]")


def test_a_light_is_left_out_with_a_reason_and_that_is_undone(page: Any, project: Project) -> None:
    tick(page, 1).click()
    one_of(page, "combobox-text", "Reason").send_keys("an aeroplane")
    one_of(page, "button", "leave out").click()
    until(page, lambda: "next run: left out (an aeroplane)" in state(page, 1))
    assert "changes only with the next run" in text_of(page, "status", "1 mark is not in the stack yet")
    assert list(project.lights.marks()["lights"]) == [1]
    one_of(page, "button", "undo").click()
    until(page, lambda: state(page, 1) == "used")
    assert "No mark waits" in text_of(page, "status", "only with the next run")
    one_of(page, "button", "redo").click()
    until(page, lambda: marks(page))


def test_without_a_reason_nothing_is_marked_and_the_page_asks_for_one(page: Any) -> None:
    tick(page, 2).click()
    one_of(page, "button", "leave out").click()
    text_of(page, "status", "a reason is needed")
    assert page.switch_to.active_element.accessible_name.strip() == "Reason"
    assert marks(page) == []


def test_several_are_marked_at_once_by_pointer(page: Any) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    tick(page, 3).click()
    ActionChains(page).key_down(Keys.SHIFT).click(tick(page, 6)).key_up(Keys.SHIFT).perform()
    assert text_of(page, "status", "ticked") == "4 lights ticked"
    one_of(page, "combobox-text", "Reason").send_keys("dew")
    one_of(page, "button", "leave out").click()
    until(page, lambda: len(marks(page)) == 4)
    one_of(page, "button", "take marks off").click()
    until(page, lambda: marks(page) == [])


def test_several_are_marked_at_once_by_keys(page: Any) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    page.execute_script("arguments[0].focus();", rows(page)[0])
    page.switch_to.active_element.send_keys(Keys.HOME)
    keys = ActionChains(page).send_keys(Keys.ARROW_DOWN, Keys.SPACE)
    keys.key_down(Keys.SHIFT).send_keys(Keys.ARROW_DOWN, Keys.ARROW_DOWN).key_up(Keys.SHIFT).perform()
    assert [k for k in range(LIGHTS) if tick(page, k).is_selected()] == [1, 2, 3]
    one_of(page, "combobox-text", "Reason").send_keys("wind", Keys.TAB, Keys.SPACE)
    until(page, lambda: len(marks(page)) == 3)


def test_a_light_that_was_measured_to_be_trailed_is_used_anyway(page: Any) -> None:
    assert "set aside: trailed" in state(page, TRAILED)
    tick(page, TRAILED).click()
    tick(page, 0).click()
    one_of(page, "button", "use anyway").click()
    until(page, lambda: "next run: used anyway" in state(page, TRAILED))
    text_of(page, "status", "1 of the lights ticked cannot be marked so")
    assert len(marks(page)) == 1


def test_the_light_that_is_shown_is_marked_where_none_is_ticked(page: Any) -> None:
    assert text_of(page, "status", "sub_0000") == "night1/sub_0000.fits"
    one_of(page, "combobox-text", "Reason").send_keys("fog")
    one_of(page, "button", "leave out").click()
    until(page, lambda: marks(page))
    shown = page.find_element("css selector", "section[aria-label='Light shown']")
    assert "Next run: left out (fog)." in shown.text


def test_all_lights_shown_are_ticked_by_one_box(page: Any) -> None:
    box = one_of(page, "checkbox", "tick all lights shown")
    box.click()
    assert text_of(page, "status", "ticked") == f"{LIGHTS} lights ticked"
    box.click()
    assert text_of(page, "status", "sub_0000") == "night1/sub_0000.fits"


def test_the_run_is_offered_with_the_marks(
    page: Any, project: Project, tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []

    def order_for(_out: Any, _sources: Any, kind: str, _settings: Any) -> Steps:
        asked.append(kind)
        return Steps(1, tmp_path / "go", title="Run again")

    monkeypatch.setattr("fourlight.pipeline.project.order_for", order_for)
    assert all_of(page, "button", "run again with the marks") == []
    one_of(page, "combobox-text", "Reason").send_keys("fog")
    one_of(page, "button", "leave out").click()
    one_of(page, "button", "run again with the marks").click()
    until(page, lambda: page.find_elements("css selector", "main[data-view=run]"))
    assert asked == ["again"]
    (tmp_path / "go").touch()
    text_of(page, "status", "done after")
    page.execute_script("location.hash = '#frames';")
    until(page, lambda: len(rows(page)) == LIGHTS)
    rows(page)[0].find_element("css selector", "td.file").click()
