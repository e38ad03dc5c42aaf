"""What addresses give: planes against the file itself, and errors in one shape."""

import numpy as np
import pytest
from astropy.io import fits
from starlette.testclient import TestClient

from fourlight.core.companding import Companding
from fourlight.pipeline.project import Project
from fourlight.web.app import application
from fourlight.web.keys import Keys
from web_results import write_results


def test_the_session_tells_of_the_project(client):
    facts = client.get("/session").json()
    assert (facts["name"], facts["sets"]) == ("project0/results", ["stack"])


def test_tiles_hold_the_light_of_the_stack(client, results):
    facts = client.get("/shown/stack").json()
    assert (facts["ny"], facts["nx"], facts["levels"]) == (700, 900, 2)
    assert facts["units"] == dict.fromkeys("RGB", "electron")
    address = f"/tiles/stack/{facts['version']}/G/0/1/1"
    answer = client.get(address)
    assert "immutable" in answer.headers["cache-control"]
    codes = np.frombuffer(answer.content, "<u2").reshape(188, 388)
    light = Companding(**facts["codes"]["G"]).light(codes)
    np.testing.assert_allclose(light, fits.getdata(results / "stack.fits", "G")[512:, 512:], atol=0.01)


@pytest.mark.parametrize(
    ("address", "status", "kind"),
    [
        ("/shown/nothing", 400, "input"),
        ("/shown/lines", 400, "input"),
        ("/shown/..%2f..%2fetc", 404, "absent"),
        ("/tiles/stack/old/R/0/0/0", 404, "absent"),
        ("/tiles/stack/{version}/R/9/0/0", 400, "input"),
        ("/tiles/stack/{version}/R/0/99999999999/0", 400, "input"),
        ("/tiles/stack/{version}/R/a/0/0", 404, "absent"),
        ("/static/../app.py", 404, "absent"),
        ("/static/%2e%2e/app.py", 404, "absent"),
        ("/static/..%5capp.py", 404, "absent"),
        ("/static//etc/passwd", 404, "absent"),
        ("/nothing", 404, "absent"),
    ],
)
def test_errors_have_one_shape(client, address, status, kind):
    version = client.get("/shown/stack").json()["version"]
    answer = client.get(address.format(version=version))
    assert (answer.status_code, answer.json()["error"]["kind"]) == (status, kind)
    assert len(answer.json()["error"]["message"]) > 15


def test_a_fault_shows_no_trace(client, monkeypatch, caplog):
    def broken(self):
        raise RuntimeError("secret inside")

    monkeypatch.setattr("fourlight.pipeline.project.Project.facts", broken)
    answer = client.get("/session")
    assert (answer.status_code, answer.json()["error"]["kind"]) == (500, "fault")
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text
    assert "default-src 'self'" in answer.headers["content-security-policy"]
    assert answer.headers["cache-control"] == "no-store"
    told = [record for record in caplog.records if record.exc_info]
    assert [record.name for record in told] == ["fourlight.web"], "the terminal shows it with --debug only"


def test_a_stack_that_was_made_again_is_read_again(tmp_path):
    folder = write_results(tmp_path / "results", (100, 90))
    keys = Keys(8123)
    own = TestClient(application(Project(folder), keys, 8123), base_url="http://127.0.0.1:8123")
    own.get(f"/enter?key={keys.link}")
    first = own.get("/shown/stack").json()
    write_results(folder, (120, 90))
    second = own.get("/shown/stack").json()
    assert (first["ny"], second["ny"]) == (100, 120)
    assert first["version"] != second["version"]


@pytest.mark.parametrize("address", ["/session", "/shown/stack", "/lights", "/evidence"])
def test_a_summary_that_is_not_whole_is_named(tmp_path, address):
    folder = write_results(tmp_path / "results", (100, 90))
    keys = Keys(8123)
    own = TestClient(application(Project(folder), keys, 8123), base_url="http://127.0.0.1:8123")
    own.get(f"/enter?key={keys.link}")
    for name in ("summary.json", "channels.json"):
        (folder / name).write_text('{"frames": [')
    answer = own.get(address)
    assert (answer.status_code, answer.json()["error"]["kind"]) == (400, "input")
    assert ".json: cannot be read (it is not whole)" in answer.json()["error"]["message"]
