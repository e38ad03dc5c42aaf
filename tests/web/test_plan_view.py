"""The view of plans in a real browser: a night by its form, charts in every set of colours, jobs, and wrong input."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from fourlight.pipeline.offers import Sources
from fourlight.pipeline.project import Project
from fourlight.recipe import Recipe
from fourlight.report.planning import CARE
from job_orders import Steps
from page_browser import one_of, opened, remarks, text_of, until
from page_manners import test_everything_has_a_name as test_everything_has_a_name
from page_manners import test_it_fits_the_screen as test_it_fits_the_screen
from page_manners import test_letters_stand_out_of_their_ground as test_letters_stand_out_of_their_ground
from web_browser import MARKS, screenshot, themed
from web_results import write_results

pytestmark = MARKS
SITES = "[site.ledge]\nlatitude_deg = 31.5\nlongitude_deg = -38\nheight_m = 2100\nzone = '-3'\n"


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Project:
    folder = tmp_path_factory.mktemp("plan")
    (folder / "sites.toml").write_text(SITES)
    out = write_results(folder / "results", (40, 50))
    facts = {"inputs": {}, "searched": [], "steps": [], "recipe": Recipe().model_dump()}
    (out / "provenance.json").write_text(json.dumps(facts))
    return Project(out, Sources(sites=folder / "sites.toml"))


@pytest.fixture(scope="module")
def page(browser: Any, project: Project) -> Iterator[Any]:
    browser.get("about:blank")
    opened(browser, project, "plan")
    until(browser, lambda: len(browser.find_elements("css selector", ".answer h3")) > 2, 120)
    yield browser
    assert [entry for entry in remarks(browser) if "400" not in entry["message"]] == []


def answer(page: Any) -> str:
    return str(page.find_element("css selector", "section[aria-label='What came of it']").text)


def write(page: Any, name: str, words: str) -> None:
    field = one_of(page, "textbox", name)
    field.clear()
    field.send_keys(words)


def test_tonight_at_the_users_site_is_there_at_once_with_every_caution(page: Any) -> None:
    said = answer(page)
    assert "Ledge: 31.500 N, 38.000 W, 2100 m" in said
    assert all(caution in said for caution in CARE)
    assert "Hours of darkness" in said


def test_an_object_that_suits_is_planned_by_a_press(page: Any) -> None:
    write(page, "date", "2031-08-07")
    one_of(page, "button", "plan it").click()
    until(page, lambda: "2031-08-07" in answer(page), 120)
    first = page.find_element("css selector", ".answer tbody th button")
    name = first.text
    first.click()
    until(page, lambda: "half hour by half hour" in answer(page), 120)
    assert one_of(page, "textbox", "target").get_attribute("value") == name
    assert "altitude, deg" in answer(page)


def test_charts_follow_the_colours_of_the_page_and_are_red_at_night(page: Any) -> None:
    def address() -> str:
        return str(page.find_element("css selector", ".answer figure img").get_attribute("src"))

    def drawn() -> bool:
        script = "return document.querySelector('.answer figure img').naturalWidth > 0;"
        return bool(page.execute_script(script))

    dark = address()
    themed(page, "light")
    until(page, lambda: address() != dark and drawn())
    themed(page, "night")
    until(page, drawn)
    page.execute_script("document.querySelector('.answer figure').scrollIntoView();")
    pixels = screenshot(page)
    themed(page, "dark")
    assert pixels[..., 0].max() > 150
    assert pixels[..., 1:].max() <= 2, "red light alone, whatever the chart holds"


def test_what_cannot_be_is_said_in_words_of_the_form(page: Any) -> None:
    write(page, "date", "soon")
    one_of(page, "button", "plan it").click()
    assert "--" not in text_of(page, "status", "date soon: no date")
    write(page, "date", "2031-08-07")


def test_subs_are_told_without_a_job(page: Any) -> None:
    one_of(page, "button", "subs").click()
    field = one_of(page, "spinbutton", "sky")
    field.send_keys("21")
    one_of(page, "button", "tell lengths").click()
    until(page, lambda: "Length of subs" in answer(page), 120)


def test_two_setups_are_compared_by_a_job_that_shows_what_came_of_it(
    page: Any, project: Project, tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []

    def order(kind: str, wish: Any) -> Steps:
        asked.append((kind, wish["setup_a"], wish["setup_b"]))
        return Steps(1, tmp_path / "go", title="Compare two setups")

    told = {
        "title": "One or the other", "about": "", "lead": "", "facts": [], "charts": [], "assumed": ["A sky."],
        "tables": [{"title": "Numbers", "rows": [["", "B over A"], ["Hα", "1.55"]], "note": ""}], "parts": [],
        "care": list(CARE),
    }  # fmt: skip
    monkeypatch.setattr(project.plans, "order", order)
    one_of(page, "button", "two setups").click()
    one_of(page, "button", "compare them").click()
    text_of(page, "status", "Compare two setups: at work")
    project.plans._compared.write_text(json.dumps(told))
    (tmp_path / "go").touch()
    until(page, lambda: "One or the other" in answer(page))
    ((kind, one, other),) = asked
    assert kind == "compare"
    assert one != other
    one_of(page, "button", "a night").click()
    until(page, lambda: "half hour" in answer(page) or "suits" in answer(page), 120)
