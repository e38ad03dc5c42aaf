"""What addresses give of lights: rows of the summary, pictures of raw frames, and never a file by its path."""

from io import BytesIO

import pytest
from PIL import Image
from starlette.testclient import TestClient

from fourlight.pipeline.project import Project
from fourlight.web.app import application
from fourlight.web.keys import Keys
from web_results import raw_light, write_lights


@pytest.fixture
def lights(tmp_path):
    folder = write_lights(tmp_path / "results", 30, raw_light(tmp_path / "raw" / "light.fits"))
    keys = Keys(8123)
    own = TestClient(
        application(Project(folder), keys, 8123),
        base_url="http://127.0.0.1:8123",
        raise_server_exceptions=False,
    )
    own.get(f"/enter?key={keys.link}")
    return own


def test_rows_tell_of_every_light(lights):
    facts = lights.get("/lights").json()
    assert (len(facts["lights"]), facts["unit"]) == (30, "e⁻")
    assert sum(row["reason"] is not None for row in facts["lights"]) == 2
    assert "path" not in facts["lights"][0]


def test_a_picture_is_a_small_png(lights):
    version = lights.get("/lights").json()["version"]
    answer = lights.get(f"/lights/{version}/0/field.png")
    assert answer.headers["content-type"] == "image/png"
    assert Image.open(BytesIO(answer.content)).size == (300, 250)
    assert Image.open(BytesIO(lights.get(f"/lights/{version}/0/detail.png").content)).size == (128, 128)


@pytest.mark.parametrize(
    ("address", "status", "said"),
    [
        ("/lights/{version}/1/field.png", 400, "The raw frame is no longer at"),
        ("/lights/{version}/30/field.png", 400, "no light number 30"),
        ("/lights/{version}/99999999999999999999/field.png", 400, "no light number"),
        ("/lights/{version}/-1/field.png", 404, "nothing at this address"),
        ("/lights/{version}/0/other.png", 404, "no such picture"),
        ("/lights/old/0/field.png", 404, "the lights have changed"),
        ("/lights/{version}/0/..%2f..%2fsummary.png", 404, "nothing at this address"),
        ("/lights/{version}/..%2fraw%2flight.fits", 404, "nothing at this address"),
    ],
)
def test_what_cannot_be_shown_is_told(lights, address, status, said):
    version = lights.get("/lights").json()["version"]
    answer = lights.get(address.format(version=version))
    assert answer.status_code == status
    assert said in answer.json()["error"]["message"]


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE"])
def test_nothing_about_lights_can_be_changed(lights, method):
    secret = lights.get("/session").json()["writing"]
    answer = lights.request(method, "/lights", headers={"fourlight-writing": secret})
    assert answer.status_code == 405


def test_strangers_see_no_light(stranger):
    assert stranger.get("/lights").status_code == 403
    assert stranger.get("/lights/x/0/field.png").status_code == 403
