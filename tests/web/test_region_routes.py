"""The address of the numbers of a region."""

import pytest
from starlette.testclient import TestClient

from fourlight.pipeline.project import Project
from fourlight.web.app import application
from fourlight.web.keys import Keys
from web_results import write_halves


@pytest.fixture(scope="module")
def halves(tmp_path_factory):
    keys = Keys(8123)
    folder = write_halves(tmp_path_factory.mktemp("halves") / "results")
    own = TestClient(application(Project(folder), keys, 8123), base_url="http://127.0.0.1:8123")
    own.get(f"/enter?key={keys.link}")
    return own


def test_a_region_has_a_row_for_every_plane(halves):
    facts = halves.get("/region/100/80/420/300").json()
    assert [plane["name"] for plane in facts["planes"]] == ["Red", "Green 1", "Green 2", "Blue"]
    assert all("±" in plane["light"] and "±" in plane["share"] for plane in facts["planes"])


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/region/100/80/110/300", 400),
        ("/region/0/0/99999999999999999999/300", 400),
        ("/region/-1/0/90/300", 404),
        ("/region/a/0/90/300", 404),
        ("/region/0/0/90", 404),
    ],
)
def test_what_is_no_region_is_told(halves, address, status):
    answer = halves.get(address)
    assert answer.status_code == status
    assert len(answer.json()["error"]["message"]) > 15


def test_strangers_get_nothing(stranger):
    assert stranger.get("/region/100/80/420/300").status_code == 403
