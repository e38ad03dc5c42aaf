"""The page without a folder, in a real browser: how to begin, and the demo as a job that opens its results."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fourlight.pipeline.offers import Sources
from fourlight.pipeline.orders import MakeDemo
from fourlight.pipeline.project import Project
from job_orders import Steps
from page_browser import all_of, one_of, opened, remarks, text_of, until
from page_manners import test_everything_has_a_name as test_everything_has_a_name
from page_manners import test_it_fits_the_screen as test_it_fits_the_screen
from page_manners import test_letters_stand_out_of_their_ground as test_letters_stand_out_of_their_ground
from web_browser import MARKS
from web_pictures import write_picture
from web_results import write_results

pytestmark = MARKS


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Project:
    folder = tmp_path_factory.mktemp("start") / "demo"
    return Project(folder / "results", Sources(demo=folder))


@pytest.fixture(scope="module")
def page(browser: Any, project: Project) -> Iterator[Any]:
    opened(browser, project)
    until(browser, lambda: browser.find_elements("css selector", "main[data-view=start] h2"))
    yield browser
    assert remarks(browser) == []


def test_it_says_what_to_do_with_frames_of_ones_own(page: Any, project: Project) -> None:
    text = page.find_element("css selector", "main").text
    for command in ("fourlight inspect NIGHTS", "fourlight run NIGHTS --out OUT", "fourlight open OUT"):
        assert command in text
    assert str(project.sources.demo) in text, "where the demo would go is told before it is made"
    assert not project.folder.exists(), "looking writes nothing"


def test_views_without_results_are_not_offered(page: Any) -> None:
    assert [link.text for link in all_of(page, "link")[:3]] == ["Start", "Run", "Plan"]


def test_commands_that_are_named_are_commands(page: Any) -> None:
    """Each command of the page, asked for its help, is one of the program."""
    from fourlight.cli.app import build

    for code in page.find_elements("css selector", "dt code"):
        name = code.text.split()[1]
        assert build([name, "--help"]) == 0


def test_the_demo_goes_into_the_folder_that_was_named_only(project: Project) -> None:
    (offer,), _ = project.offers()
    assert offer["kind"] == "demo"
    assert str(project.sources.demo) in offer["about"]


def test_the_demo_is_a_job_that_opens_its_results(
    page: Any, project: Project, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []

    def order_for(_out: Any, sources: Sources, kind: str, _settings: Any) -> Steps:
        asked.append(kind)
        return Steps(4, title=MakeDemo.title, rest=tmp_path / "rest")

    monkeypatch.setattr("fourlight.pipeline.project.order_for", order_for)
    one_of(page, "button", "make the demo").click()
    text_of(page, "status", "at work: walk")
    assert one_of(page, "progressbar", "Part of this stage").is_displayed()
    write_picture(write_results(project.folder, (40, 50)))
    (tmp_path / "rest").touch()
    until(page, lambda: page.find_elements("css selector", "main[data-view=picture] canvas"))
    assert asked == ["demo"]
    page.execute_script("location.hash = '#start';")
    assert one_of(page, "link", "open its results").get_attribute("href").endswith("#picture")
