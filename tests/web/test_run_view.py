"""Jobs in a real browser, by role and label: start, follow, stop, and what ends without a word."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fourlight.pipeline.offers import Sources
from fourlight.pipeline.project import Project
from fourlight.web import serving
from job_orders import Dies, Makes, Steps, Waits
from page_browser import (
    all_of,
    one_of,
    opened,
    remarks,
    text_of,
    until,
)
from page_manners import (
    test_everything_has_a_name as test_everything_has_a_name,
)
from page_manners import (
    test_it_fits_the_screen as test_it_fits_the_screen,
)
from page_manners import (
    test_letters_stand_out_of_their_ground as test_letters_stand_out_of_their_ground,
)
from web_browser import MARKS, screenshot, themed
from web_pictures import write_picture
from web_results import write_results

pytestmark = MARKS


@pytest.fixture(scope="module")
def orders() -> dict[str, Any]:
    """What is ordered by kind, in place of jobs that take long."""
    return {}


@pytest.fixture(scope="module")
def project(
    tmp_path_factory: pytest.TempPathFactory, orders: dict[str, Any], many: pytest.MonkeyPatch
) -> Iterator[Project]:
    out = tmp_path_factory.mktemp("page") / "out"
    project = Project(write_picture(write_results(out, (60, 80))))
    many.setattr("fourlight.pipeline.project.order_for", lambda _out, _sources, kind, _wish: orders[kind])
    yield project
    project.jobs.close(1)


@pytest.fixture(scope="module")
def many() -> Iterator[pytest.MonkeyPatch]:
    with pytest.MonkeyPatch.context() as patch:
        yield patch


@pytest.fixture(scope="module")
def applications(many: pytest.MonkeyPatch) -> list[Any]:
    """Applications that are served."""
    made: list[Any] = []
    build = serving.application

    def noted(*words: Any) -> Any:
        made.append(build(*words))
        return made[-1]

    many.setattr(serving, "application", noted)
    return made


@pytest.fixture(scope="module")
def page(browser: Any, project: Project, applications: list[Any]) -> Any:
    return opened(browser, project, "run")


def start(page: Any, name: str) -> None:
    until(page, lambda: one_of(page, "button", name).is_enabled())
    one_of(page, "button", name).click()


def test_a_job_is_started_by_keys_and_followed(page: Any, orders: dict[str, Any], tmp_path: Path) -> None:
    from selenium.webdriver.common.keys import Keys

    orders["channels"] = Steps(12, tmp_path / "go", "Measure the channels", tmp_path / "rest")
    button = one_of(page, "button", "Measure the channels")
    about = page.find_element("id", button.get_attribute("aria-describedby"))
    assert "raw samples" in about.text
    button.send_keys(Keys.ENTER)
    text_of(page, "status", "at work: walk")
    until(page, lambda: not one_of(page, "button", "Test the claims").is_enabled())
    assert one_of(page, "link", "Run").text == "Run: at work"
    assert "now" in page.switch_to.active_element.get_attribute("class"), "keys go on from there"
    (tmp_path / "go").touch()
    bar = one_of(page, "progressbar", "Part of this stage")
    until(page, lambda: "about" in page.find_element("css selector", ".rate").text)
    assert [float(bar.get_attribute(name)) for name in ("value", "max")] == [7, 12]
    (tmp_path / "rest").touch()
    text_of(page, "status", "done after")
    assert one_of(page, "log", "What it said").text.splitlines() == [
        "walk", "12 steps taken", "to know", "the way was flat",
    ]  # fmt: skip
    assert not all_of(page, "progressbar")
    assert not all_of(page, "button", "stop")
    assert one_of(page, "link", "Run").text == "Run"
    assert remarks(page) == []


def test_a_job_is_stopped_and_says_so(page: Any, orders: dict[str, Any], tmp_path: Path) -> None:
    orders["claims"] = Waits(tmp_path / "tidied", tmp_path / "begun", title="Test the claims")
    start(page, "Test the claims")
    until(page, (tmp_path / "begun").exists)
    one_of(page, "button", "stop").click()
    text_of(page, "status", "stopped after")
    assert (tmp_path / "tidied").exists()
    assert "Measure the channels: done after" in page.find_element("css selector", "details summary").text


def test_a_worker_that_dies_is_told_in_one_sentence(page: Any, orders: dict[str, Any]) -> None:
    orders["again"] = Dies("Run again")
    start(page, "Run again")
    said = text_of(page, "alert", "without a word")
    assert said.count(".") == 0
    assert "start it again: what is done is kept" in said
    text_of(page, "status", "failed after")


def test_a_tab_that_nobody_sees_has_no_stream_and_its_job_goes_on(
    page: Any, orders: dict[str, Any], applications: list[Any], tmp_path: Path
) -> None:
    streams = applications[-1].state.streams
    until(page, lambda: len(streams) == 1)
    orders["channels"] = Steps(2, tmp_path / "go", "Measure the channels")
    start(page, "Measure the channels")
    text_of(page, "status", "at work")
    first = page.current_window_handle
    page.switch_to.new_window("tab")
    until(page, lambda: len(streams) == 0)
    (tmp_path / "go").touch()
    page.close()
    page.switch_to.window(first)
    text_of(page, "status", "done after")
    until(page, lambda: len(streams) == 1)


def test_red_for_the_dark_is_red_everywhere(page: Any, orders: dict[str, Any], tmp_path: Path) -> None:
    themed(page, "night")
    orders["claims"] = Waits(tmp_path / "tidied", tmp_path / "begun", title="Test the claims")
    start(page, "Test the claims")
    text_of(page, "status", "at work")
    shot = screenshot(page)
    assert shot[..., 1:].max() == 0
    assert shot[..., 0].max() > 150
    one_of(page, "button", "stop").click()
    text_of(page, "status", "stopped after")
    themed(page, "dark")


def test_nights_without_results_are_run_from_the_page(
    browser: Any, many: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The view of jobs stands alone; with the results come their views."""
    project = Project(tmp_path / "out", Sources(nights=(tmp_path / "nights",)))
    many.setattr("fourlight.pipeline.project.order_for", lambda *_wish: Makes(tmp_path / "out", title="Run"))
    page = opened(browser, project)
    until(page, lambda: [link.text for link in all_of(page, "link")] == ["Run", "Plan"])
    start(page, "Run the nights")
    text_of(page, "status", "done after")
    until(page, lambda: "Planes" in [link.text for link in all_of(page, "link")])
    until(page, lambda: len(all_of(page, "button", "Make the picture anew")) == 1)


def test_a_page_whose_server_has_ended_says_so(
    browser: Any, many: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """And no longer that a job is at work."""
    servers: list[Any] = []
    build = serving._Server

    def noted(*words: Any) -> Any:
        servers.append(build(*words))
        return servers[-1]

    many.setattr(serving, "_Server", noted)
    project = Project(write_picture(write_results(tmp_path / "out", (60, 80))))
    many.setattr(
        "fourlight.pipeline.project.order_for",
        lambda *_wish: Waits(tmp_path / "tidied", tmp_path / "begun", title="Run again"),
    )
    page = opened(browser, project, "run")
    start(page, "Run again")
    until(page, lambda: one_of(page, "link", "Run").text == "Run: at work")
    servers[0].should_exit = True
    text_of(page, "status", "the page has lost its server")
    text_of(page, "status", "no longer known")
    until(page, lambda: one_of(page, "link", "Run").text == "Run")
    assert not all_of(page, "button", "stop")
    project.jobs.close(5)
