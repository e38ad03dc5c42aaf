"""What addresses give of evidence: facts, and files to be kept."""

import pytest
from starlette.testclient import TestClient

from fourlight.pipeline.project import Project
from fourlight.web.app import application
from fourlight.web.keys import Keys
from web_results import write_evidence


@pytest.fixture
def evidence(tmp_path):
    keys = Keys(8123)
    app = application(Project(write_evidence(tmp_path / "results")), keys, 8123)
    own = TestClient(app, base_url="http://127.0.0.1:8123", raise_server_exceptions=False)
    own.get(f"/enter?key={keys.link}")
    return own


def test_facts_name_files_that_can_be_kept(evidence):
    facts = evidence.get("/evidence").json()
    names = [name for figure in facts["figures"] for name in [*figure["files"], figure["moving"]] if name]
    assert len(names) == 4
    for name in [*names, *(row["file"] for row in facts["numbers"])]:
        answer = evidence.get(f"/evidence/files/{name}")
        assert answer.status_code == 200
        assert answer.headers["content-disposition"] == f'attachment; filename="{name}"'
        assert name.rpartition(".")[2] in answer.headers["content-type"]


@pytest.mark.parametrize(
    ("name", "status"),
    [
        ("summary.json", 400),
        ("resolution.png", 400),
        ("..%2fsummary.json", 404),
        ("..%2f..%2fetc%2fpasswd", 404),
        ("figures%2fshares.png", 404),
        ("shares.png%00", 400),
        ("", 404),
    ],
)
def test_other_files_are_not_given(evidence, name, status):
    answer = evidence.get(f"/evidence/files/{name}")
    assert answer.status_code == status
    assert len(answer.json()["error"]["message"]) > 15


def test_strangers_get_nothing(stranger):
    assert stranger.get("/evidence").status_code == 403
    assert stranger.get("/evidence/files/channels.json").status_code == 403
