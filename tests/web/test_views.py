"""What views have in common, in a real browser: what they show is what there is."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fourlight.pipeline.project import Project
from job_orders import MakesAgain
from page_browser import opened, remarks, until
from web_browser import MARKS
from web_pictures import write_picture
from web_results import write_results

pytestmark = MARKS


@pytest.fixture
def project(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Project]:
    project = Project(write_picture(write_results(tmp_path / "out", (60, 80))))
    monkeypatch.setattr("fourlight.pipeline.project.order_for", lambda *_wish: MakesAgain(tmp_path / "out"))
    yield project
    project.jobs.close(1)


@pytest.mark.parametrize(
    ("view", "before", "after"),
    [
        ("planes", "input[aria-label='right edge, px'][max='80']", "input[aria-label='right edge, px'][max='900']"),
        ("evidence", ".evidence > p", "table[aria-label='Electrons, the object']"),
    ],
)  # fmt: skip
def test_results_of_a_job_are_shown_where_they_are_looked_at(
    browser: Any, project: Project, view: str, before: str, after: str
) -> None:
    page = opened(browser, project, view)
    until(page, lambda: page.find_elements("css selector", before))
    project.start("again")
    until(page, lambda: page.find_elements("css selector", after))
    assert not page.find_elements("css selector", before)
    assert remarks(page) == []
