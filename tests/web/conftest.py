"""A small project, the application on it, and a client that has a session."""

from __future__ import annotations

from pathlib import Path

import pytest
from starlette.testclient import TestClient

from fourlight.pipeline.project import Project
from fourlight.web.app import application
from fourlight.web.keys import Keys
from page_browser import browser as browser  # a fixture of all tests here
from web_results import write_results

PORT = 8123
HERE = f"http://127.0.0.1:{PORT}"


@pytest.fixture(scope="session")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_results(tmp_path_factory.mktemp("project") / "results")


@pytest.fixture
def keys() -> Keys:
    return Keys(PORT)


@pytest.fixture
def stranger(results: Path, keys: Keys) -> TestClient:
    """A client without a session."""
    return TestClient(application(Project(results), keys, PORT), base_url=HERE, raise_server_exceptions=False)


@pytest.fixture
def client(stranger: TestClient, keys: Keys) -> TestClient:
    """A client that has opened the link."""
    assert stranger.get(f"/enter?key={keys.link}").status_code == 200
    return stranger
