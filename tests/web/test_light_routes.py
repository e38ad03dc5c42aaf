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
        ("/lights/{version}/0/other.png", 404, "no such pictures"),
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


def marking(lights, data, version=None):
    secret = lights.get("/session").json()["writing"]
    version = version or lights.get("/lights").json()["version"]
    return lights.post(f"/lights/{version}/marks", json=data, headers={"fourlight-writing": secret})


def test_lights_are_marked_by_the_numbers_of_their_rows(lights):
    answer = marking(lights, {"lights": [0, 2], "mark": "leave", "reason": "fog"})
    assert answer.status_code == 200
    assert answer.json()["marks"]["lights"] == {"0": ["leave", "fog", True], "2": ["leave", "fog", True]}
    assert lights.get("/lights").json()["marks"] == answer.json()["marks"]
    secret = {"fourlight-writing": lights.get("/session").json()["writing"]}
    assert lights.post("/marks/undo", headers=secret).json()["marks"]["waiting"] == 0
    assert lights.post("/marks/redo", headers=secret).json()["marks"]["waiting"] == 2


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ({"lights": [0], "mark": "leave", "reason": " "}, "a reason is needed"),
        ({"lights": [99], "mark": "leave", "reason": "fog"}, "numbers from 0 to 29"),
        ({"lights": [-1], "mark": "leave", "reason": "fog"}, "numbers from 0 to 29"),
        ({"lights": [True], "mark": "leave", "reason": "fog"}, "reload the page"),
        ({"lights": [], "mark": "leave", "reason": "fog"}, "reload the page"),
        ({"lights": ["../../etc"], "mark": "leave", "reason": "fog"}, "reload the page"),
        ({"lights": [0], "mark": "remove", "reason": "fog"}, "reload the page"),
        ({"lights": [0], "mark": ["leave"], "reason": "fog"}, "reload the page"),
        ({"lights": [0], "mark": "leave", "reason": 7}, "reload the page"),
        ({"lights": [0], "mark": "use"}, "used already"),
        ([0], "an object of JSON"),
    ],
)
def test_marks_that_mean_nothing_are_refused(lights, data, said):
    answer = marking(lights, data)
    assert answer.status_code == 400
    assert said in answer.json()["error"]["message"]
    assert lights.get("/lights").json()["marks"]["lights"] == {}


def test_marks_need_the_secret_of_the_page_and_rows_that_are_there(lights, stranger):
    wish = {"lights": [0], "mark": "leave", "reason": "fog"}
    version = lights.get("/lights").json()["version"]
    assert lights.post(f"/lights/{version}/marks", json=wish).status_code == 403
    assert lights.post("/marks/undo").status_code == 403
    assert stranger.post(f"/lights/{version}/marks", json=wish).status_code == 403
    assert marking(lights, wish, "old").status_code == 404
    secret = {"fourlight-writing": lights.get("/session").json()["writing"]}
    assert lights.post("/marks/away", headers=secret).status_code == 404
    large = wish | {"reason": "x" * 2_000_000}
    assert marking(lights, large).status_code in (400, 413)
    assert lights.get("/lights").json()["marks"]["lights"] == {}
