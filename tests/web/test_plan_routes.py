"""Plans over the wire: what forms hold is checked, no file is named by a browser, answers are those of the commands."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import pytest
from starlette.testclient import TestClient

from fourlight.engine import Silent
from fourlight.errors import InputError
from fourlight.pipeline.offers import Sources
from fourlight.pipeline.plan_orders import CompareSetups, LookWhatIf
from fourlight.pipeline.plans_asked import PlanAsked, planned_by
from fourlight.pipeline.project import Project
from fourlight.pipeline.rigs import own_file
from fourlight.recipe import Recipe
from fourlight.report.planning import CARE, planned_lines
from fourlight.stages.plan_skies import Moonlight
from fourlight.web.app import application
from fourlight.web.guard import WRITING
from fourlight.web.keys import Keys
from web_results import write_results

PORT = 8123
NIGHT = {"site": "31.5,-38,2100", "target": "287.4,18.2", "date": "2031-08-07", "night": {"zone": "-3"}}
TWO = {"setup_a": "mono-rgb", "setup_b": "colour-dual", "site": "31.5,-38,2100"}
SKY_MAG = 21.4
SITES = f"[site.ledge]\nlatitude_deg = 31.5\nlongitude_deg = -38\nheight_m = 2100\nsky_mag = {SKY_MAG}\nzone = '-3'\n"


@pytest.fixture
def project(tmp_path):
    (tmp_path / "sites.toml").write_text(SITES)
    out = write_results(tmp_path / "out", (40, 50))
    facts = {"inputs": {}, "searched": [], "steps": [], "recipe": Recipe().model_dump()}
    (out / "provenance.json").write_text(json.dumps(facts))
    return Project(out, Sources(sites=tmp_path / "sites.toml"))


@pytest.fixture
def page(project):
    keys = Keys(PORT)
    client = TestClient(
        application(project, keys, PORT), base_url=f"http://127.0.0.1:{PORT}", raise_server_exceptions=False
    )
    client.get(f"/enter?key={keys.link}")
    client.headers[WRITING] = keys.writing
    return client


def test_forms_hold_the_names_that_there_are(page):
    facts = page.get("/plans").json()
    assert set(facts["forms"]) == {"night", "subs", "compare", "whatif"}
    assert facts["sites"] == ["ledge"]
    gear = facts["forms"]["night"]["$defs"]["GearAsked"]["properties"]
    assert "dual-7nm" in gear["filter"]["enum"]
    assert "mono-two-lines" in facts["forms"]["compare"]["properties"]["setup_b"]["enum"]
    assert facts["forms"]["subs"]["properties"]["sky"]["default"] == SKY_MAG, "that of the site"


def test_a_night_is_that_of_the_command(page, project):
    """The same numbers as ``fourlight plan`` prints, and every caution of it."""
    answer = page.post("/plans/night", json=NIGHT).json()
    asked = PlanAsked.model_validate(NIGHT)
    planned, clock, assumed = planned_by(asked, own_file(project.sources.sites))
    lines = planned_lines(planned, clock, assumed)
    assert answer["care"] == list(CARE)
    (dark,) = [value for name, value in answer["facts"] if name == "Dark"]
    assert any(line.startswith("dark") and dark in line for line in lines)
    rows = answer["tables"][0]["rows"]
    assert rows[0][1:3] == ["altitude, deg", "azimuth, deg"]
    first = next(line for line in lines if line.startswith(rows[1][0]))
    assert first.split()[:3] == rows[1][:3]
    assert "<svg" in answer["charts"][0]["dark"]
    assert "<svg" in answer["charts"][0]["light"]
    assert not any("--" in said for said in answer["assumed"])


def test_a_site_of_the_users_file_and_objects_that_suit(page):
    answer = page.post("/plans/night", json={"site": "ledge", "date": "2031-08-07"}).json()
    assert "Ledge" in answer["lead"]
    (objects,) = [table for table in answer["tables"] if table.get("objects")]
    assert len(objects["rows"]) > 5


def test_lengths_of_subs(page):
    wish = {
        "sky": 21,
        "moon": "0.5,90 1,60",
        "gear": {"filter": "dual-7nm"},
        "light": {"line": "halpha=30, OIII = 10"},
    }
    answer = page.post("/plans/subs", json=wish).json()
    assert len(answer["parts"]) == 3, "without a Moon, and under each of two"
    assert answer["care"] == list(CARE)


@pytest.mark.parametrize(
    ("address", "wish", "said"),
    [
        ("night", {}, "site: must be given"),
        ("night", {**NIGHT, "site": "nowhere"}, "no site of this name"),
        ("night", {**NIGHT, "site": "/etc/passwd"}, "no site of this name"),
        ("night", {**NIGHT, "date": "soon"}, "date soon: no date"),
        ("night", {**NIGHT, "ahead": 401}, "at most 400 nights"),
        ("night", {**NIGHT, "ahead": -1}, "a number of nights"),
        ("night", {**NIGHT, "night": {"least_altitude": 99}}, "least altitude 99: degrees"),
        ("night", {**NIGHT, "night": {"zone": "../../etc/passwd"}}, "zone"),
        ("night", {**NIGHT, "gear": {"camera": "/etc/passwd"}}, "choose one of"),
        ("night", {**NIGHT, "gear": {"camera": "../sites.toml"}}, "choose one of"),
        ("night", {**NIGHT, "gear": {"filter": "curve.csv"}}, "choose one of"),
        ("night", {**NIGHT, "gear": {"optics": "/etc/passwd"}}, "optics"),
        ("night", {**NIGHT, "horizon": "/etc/passwd"}, "no such setting"),
        ("night", {**NIGHT, "out": "/tmp/x.png"}, "no such setting"),
        ("night", {**NIGHT, "target": "x" * 201}, "at most 200 letters"),
        ("night", {**NIGHT, "subs": {"area": "wide"}}, "must be a number"),
        ("night", [1], "an object of JSON"),
        ("subs", {"sky": 3}, "from 13"),
        ("subs", {"sky": 21, "moon": "bright"}, "moon bright"),
    ],
)
def test_what_cannot_be_is_told_in_words_of_the_form(page, address, wish, said):
    answer = page.post(f"/plans/{address}", json=wish)
    assert answer.status_code == 400, answer.text
    message = answer.json()["error"]["message"]
    assert said in message
    assert "--" not in message
    assert not message.startswith("form"), "which field it is says enough"


@pytest.fixture
def ordered(project, monkeypatch):
    """Orders that would have been started."""
    found = []
    monkeypatch.setattr(project, "jobs", SimpleNamespace(start=lambda order: found.append(order) or 1))
    return found


def test_comparisons_and_what_ifs_are_jobs(page, project, ordered):
    wish = {"setup_a": "colour-dual", "setup_b": "mono-two-lines", "site": "ledge", "date": "2031-11-14"}
    assert page.post("/jobs", json={"kind": "compare", "settings": wish}).json() == {"number": 1}
    assert (
        page.post("/jobs", json={"kind": "whatif", "settings": {"sky": "x2", "subs": 8}}).status_code == 200
    )
    moon = {"moon": " 0.5,90,40 ", "drop_channel": "B"}
    assert page.post("/jobs", json={"kind": "whatif", "settings": moon}).status_code == 200
    compare, whatif, under_moon = ordered
    assert isinstance(compare, CompareSetups)
    assert isinstance(whatif, LookWhatIf)
    assert whatif.target == project.folder.with_name("out-whatif") / "sky-x2-subs-8"
    assert under_moon.asked().sky.moon == Moonlight(0.5, 90.0, 40.0)
    assert under_moon.asked().without == "B"


@pytest.mark.parametrize(
    ("kind", "wish", "said"),
    [
        ("compare", {"setup_a": "/etc/passwd", "setup_b": "mono-rgb", "site": "ledge"}, "choose one of"),
        ("compare", {"setup_a": "mono-rgb", "site": "ledge"}, "setup_b: must be given"),
        ("compare", {**TWO, "hours": -3}, "hours -3: hours of the clock from 0.1 to 24"),
        ("whatif", {"sky": "x0.5"}, "never removed"),
        ("whatif", {"out": "/tmp"}, "no such setting"),
        ("whatif", {"drop_channel": "../R"}, "choose one of"),
        ("whatif", {}, "nothing is asked for"),
    ],
)
def test_jobs_that_cannot_be_are_refused(page, ordered, kind, wish, said):
    answer = page.post("/jobs", json={"kind": kind, "settings": wish})
    assert answer.status_code == 400
    assert said in answer.json()["error"]["message"]
    assert ordered == []


@pytest.mark.parametrize(
    ("order", "work"),
    [
        (LookWhatIf(Path("out"), Path("new"), {"subs": 500}), "whatif.what_if"),
        (CompareSetups(TWO, None, Path("compared.json")), "plans_asked.compared_by"),
    ],
)
def test_jobs_that_fail_speak_of_fields(monkeypatch, order, work):
    """What only the work finds is told in words of the form too."""

    def fails(*_asked: object) -> None:
        raise InputError("--subs 500: 23 are there; run it again with --set read.black_adu=LEVEL")

    monkeypatch.setattr(f"fourlight.pipeline.{work}", fails)
    with pytest.raises(InputError) as told:
        order.work(Silent())
    said = "subs 500: 23 are there; run it again with --set read.black_adu=LEVEL"
    assert str(told.value) == said, "of the options that are told, no form has --set"


def test_results_come_by_names_that_are_there(page, project):
    assert "nothing has been compared" in page.get("/plans/compared").json()["error"]["message"]
    for name in ("x", "..%2f..%2fout", "%2e%2e%2fout"):
        for end in ("", "/picture.png"):
            assert page.get(f"/plans/whatifs/{name}{end}").status_code in (400, 404)
    folder = project.plans.whatifs / "sky-x2"
    folder.mkdir(parents=True)
    (folder / "whatif.png").write_bytes(b"\x89PNG")
    (folder / "whatif.json").write_text("{}")
    assert page.get("/plans/whatifs/sky-x2/picture.png").content == b"\x89PNG"
    assert "cannot be read" in page.get("/plans/whatifs/sky-x2").json()["error"]["message"]
    assert page.get("/plans").json()["whatifs"] == [{"name": "sky-x2", "title": "sky-x2"}]
    (folder / "whatif.json").write_text("{")
    assert page.get("/plans").json()["whatifs"] == [{"name": "sky-x2", "title": "sky-x2"}]
    assert "cannot be read" in page.get("/plans/whatifs/sky-x2").json()["error"]["message"]


def test_plans_need_a_session_and_the_secret(page, stranger):
    assert stranger.get("/plans").status_code == 403
    del page.headers[WRITING]
    assert page.post("/plans/night", json=NIGHT).status_code == 403
    assert page.post("/plans/subs", json={"sky": 21}).status_code == 403


def test_bodies_that_are_too_large_are_refused(page):
    assert page.post("/plans/night", json={"site": "x" * 1_100_000}).status_code in (400, 413)
