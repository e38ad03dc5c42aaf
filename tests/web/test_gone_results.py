"""Results that were deleted while the page is open: every view says so, and what to do."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from fourlight.pipeline.project import Project
from fourlight.web.app import application
from fourlight.web.guard import WRITING
from fourlight.web.keys import Keys
from web_pictures import write_picture
from web_results import write_lights

PORT = 8123
GONE = "the results are gone; make the run again: fourlight run NIGHTS --out"


@pytest.fixture(scope="module")
def gone(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[TestClient, str]]:
    """A page whose results were looked at before they went, and the version of its planes."""
    out = write_picture(write_lights(tmp_path_factory.mktemp("gone") / "out", 4))
    keys, project = Keys(PORT), Project(out)
    page = TestClient(
        application(project, keys, PORT),
        base_url=f"http://127.0.0.1:{PORT}",
        raise_server_exceptions=False,
        headers={WRITING: keys.writing},
    )
    page.get(f"/enter?key={keys.link}")
    version = page.get("/shown/stack").json()["version"]
    assert page.get("/evidence").status_code == page.get("/lights").status_code == 200
    assert page.get("/jobs").json()["none"] == ""
    shutil.rmtree(out)
    yield page, version
    project.jobs.close(1)


def told(answer: Any) -> str:
    assert answer.status_code == 400, answer.text
    return str(answer.json()["error"]["message"])


@pytest.mark.parametrize(
    "address",
    [
        "/picture", "/picture/steps/stack", "/picture/files/picture.jpg", "/shown/stack", "/tiles/stack/{}/G/0/0/0",
        "/lights", "/lights/{}/0/whole.png", "/evidence", "/evidence/files/frames.csv", "/region/10/10/90/90",
    ],
)  # fmt: skip
def test_views_say_that_results_are_gone(gone: tuple[TestClient, str], address: str) -> None:
    page, version = gone
    assert GONE in told(page.get(address.format(version)))


def test_what_is_asked_for_is_refused_in_the_same_words(gone: tuple[TestClient, str]) -> None:
    page, version = gone
    for wish in ({"kind": "picture"}, {"kind": "whatif", "settings": {"subs": 2}}):
        assert GONE in told(page.post("/jobs", json=wish))
    assert GONE in told(page.post(f"/lights/{version}/marks", json={"lights": [0], "mark": "use"}))
    assert GONE in told(page.post("/marks/undo", json={}))


def test_where_nothing_can_be_done_it_is_told_why(gone: tuple[TestClient, str], tmp_path: Path) -> None:
    found = gone[0].get("/jobs").json()
    assert found["offers"] == []
    assert GONE in found["none"]
    project = Project(write_lights(tmp_path / "out", 4))
    offers, none = project.offers()
    assert offers == []
    assert "provenance.json: is not there, which tells how the stack was made" in none
