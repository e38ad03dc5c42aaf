"""The finished picture over the wire: what is told of it, its steps and files, and nothing but them."""

from __future__ import annotations

import io
import json

import pytest
from PIL import Image
from starlette.testclient import TestClient

from fourlight.pipeline.offers import Sources, order_for
from fourlight.pipeline.orders import MakePicture
from fourlight.pipeline.project import Project
from fourlight.pipeline.shown_picture import picture_facts
from fourlight.recipe_finish import LOOKS, Finish
from fourlight.web.app import application
from fourlight.web.keys import Keys
from web_pictures import SIZE, STEPS, write_picture
from web_results import write_results

PORT = 8123


@pytest.fixture
def out(tmp_path):
    (tmp_path / "secret.txt").write_text("not to be told")
    return write_picture(write_results(tmp_path / "out", (40, 50)), {"look": "rich"})


@pytest.fixture
def page(out):
    keys = Keys(PORT)
    client = TestClient(application(Project(out), keys, PORT), base_url=f"http://127.0.0.1:{PORT}")
    client.get(f"/enter?key={keys.link}")
    return client


def test_the_picture_is_told_with_its_steps_settings_and_form(page):
    facts = page.get("/picture").json()
    assert (facts["nx"], facts["ny"]) == SIZE
    assert [(s["name"], s["title"], s["seen"]) for s in facts["steps"]] == [
        ("stack", "The stack", True),
        ("gradient", "Sky taken off", True),
        ("denoise", "Unconfirmed detail smoothed", False),
        ("stretch", "Shown", True),
    ]
    assert [file["name"] for file in facts["files"]] == ["picture.jpg", "picture.png", "picture.tif"]
    assert facts["settings"]["look"] == "rich"
    assert Finish.model_validate(facts["settings"]).look == "rich"
    assert set(facts["schema"]["properties"]) == set(Finish.model_fields)
    assert facts["looks"] == {name: look.model_dump() for name, look in LOOKS.items()}
    assert "picture" in page.get("/session").json()["sets"]


def test_a_picture_of_a_large_sensor_is_told_too(out, monkeypatch):
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", SIZE[0] * SIZE[1] // 4)  # Pillow refuses twice as many
    assert picture_facts(out)["nx"] == SIZE[0]


def test_settings_of_a_session_are_kept_apart_by_project(out, tmp_path):
    """On one address, one after the other, there may be pages of several."""
    other = write_picture(write_results(tmp_path / "other", (40, 50)), {"look": "rich"})
    first, again, second = (picture_facts(folder)["project"] for folder in (out, out, other))
    assert first == again != second


def test_a_picture_that_tells_no_settings_has_those_of_its_run(page, out):
    summary = json.loads((out / "summary.json").read_text())
    del summary["picture"]["settings"]
    (out / "summary.json").write_text(json.dumps(summary))
    assert page.get("/picture").json()["settings"] == Finish().model_dump(mode="json")


def test_steps_and_files_come_as_they_are(page, out):
    answer = page.get("/picture/steps/gradient")
    assert answer.headers["content-type"] == "image/jpeg"
    pixel = Image.open(io.BytesIO(answer.content)).getpixel((70, 50))
    assert all(abs(a - b) < 4 for a, b in zip(pixel, STEPS["gradient"], strict=True))
    for name in ("picture.jpg", "picture.png", "picture.tif"):
        answer = page.get(f"/picture/files/{name}")
        assert answer.content == (out / name).read_bytes()
        assert answer.headers["content-disposition"] == f'attachment; filename="{name}"'


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/picture/files/summary.json", 400),
        ("/picture/files/..%2fsecret.txt", 404),
        ("/picture/files/../../secret.txt", 404),
        ("/picture/files/..%5c..%5csecret.txt", 400),
        ("/picture/files/picture.jpg%00.txt", 400),
        ("/picture/files//etc/passwd", 404),
        ("/picture/steps/denoise", 400),
        ("/picture/steps/nothing", 400),
        ("/picture/steps/..%2f..%2fsecret.txt", 404),
    ],
)
def test_no_other_file_is_told(page, address, status):
    answer = page.get(address)
    assert answer.status_code == status
    assert "not to be told" not in answer.text
    assert len(answer.json()["error"]["message"]) > 15


def test_a_step_never_leads_out_of_the_folder_of_steps(page, out):
    """Even where somebody has written another path into the summary."""
    summary = json.loads((out / "summary.json").read_text())
    summary["picture"]["steps"][0]["file"] = "../secret.txt"
    (out / "summary.json").write_text(json.dumps(summary))
    answer = page.get("/picture/steps/stack")
    assert (answer.status_code, "is not there" in answer.json()["error"]["message"]) == (400, True)


def test_a_picture_that_is_gone_is_told_in_words(page, out):
    (out / "picture.jpg").unlink()
    answer = page.get("/picture")
    assert answer.status_code == 400
    assert "make the picture anew" in answer.json()["error"]["message"]


def test_the_order_holds_all_settings_checked(out):
    """Those that the form gives, and without a form those of the picture that is there."""
    wish = {**Finish().model_dump(mode="json"), "look": "bold", "frame": {"crop": [1, 2, 30, 40]}}
    order = order_for(out, Sources(), "picture", wish)
    assert isinstance(order, MakePicture)
    made = Finish.model_validate(order.settings)
    assert (made.look, made.frame.crop) == ("bold", (1, 2, 30, 40))
    order = order_for(out, Sources(), "picture")
    assert isinstance(order, MakePicture)
    assert Finish.model_validate(order.settings).look == "rich"


@pytest.mark.parametrize("address", ["files/picture.tif", "steps/stack"])
def test_links_to_elsewhere_are_not_followed(page, out, address):
    """As those of figures are not; links within the results are."""
    place = out / "picture.tif" if address.startswith("files") else out / "steps" / "1-stack.jpg"
    place.unlink()
    place.symlink_to(out / "picture.png")
    assert page.get(f"/picture/{address}").status_code == 200
    place.unlink()
    place.symlink_to(out.parent / "secret.txt")
    answer = page.get(f"/picture/{address}")
    assert (answer.status_code, answer.json()["error"]["kind"]) == (400, "input")
