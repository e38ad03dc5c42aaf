"""Jobs over the wire: what is offered, who may start and stop them, and the stream that tells of them."""

from __future__ import annotations

import http.client
import json
import threading
import time
from contextlib import ExitStack

import pytest
from starlette.testclient import TestClient

from fourlight.pipeline.offers import Sources
from fourlight.pipeline.project import Project
from fourlight.recipe import Recipe
from fourlight.web import run_routes, serving
from fourlight.web.app import application
from fourlight.web.guard import MOST_BODY, WRITING
from fourlight.web.keys import Keys
from job_orders import Steps, Waits
from web_results import write_results

PORT = 8123


def record(folder, steps=()):
    """A provenance.json, as far as offers ask for it."""
    facts = {"inputs": {}, "searched": [], "steps": list(steps), "recipe": Recipe().model_dump()}
    (folder / "provenance.json").write_text(json.dumps(facts))


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Results whose every job takes steps once it may go."""
    record(write_results(tmp_path / "out", (40, 50)))
    project = Project(tmp_path / "out")
    monkeypatch.setattr(
        "fourlight.pipeline.project.order_for", lambda *_wish: Steps(2, tmp_path / "go", title="Step")
    )
    yield project
    project.jobs.close(1)


@pytest.fixture
def page(project):
    keys = Keys(PORT)
    client = TestClient(application(project, keys, PORT), base_url=f"http://127.0.0.1:{PORT}")
    client.get(f"/enter?key={keys.link}")
    client.headers[WRITING] = keys.writing
    return client


def served(project):
    """Thread, port and cookie of a server at work."""
    links, ready = [], threading.Event()

    def told(address):
        links.append(address)
        ready.set()

    thread = threading.Thread(target=serving.serve, args=(project, 0, told), daemon=True)
    thread.start()
    assert ready.wait(20)
    port = int(links[0].split(":")[2].partition("/")[0])
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    connection.request("GET", links[0].split(str(port))[1])
    with connection.getresponse() as answer:
        cookie = answer.getheader("set-cookie").partition(";")[0]
    connection.close()
    return thread, port, cookie


@pytest.fixture
def link(project):
    """Port and cookie of a server at work."""
    return served(project)[1:]


@pytest.fixture
def stream():
    """Asks for an event stream; each answer is closed at the end."""
    with ExitStack() as kept:

        def asked(port, **headers):
            connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
            kept.callback(connection.close)
            connection.request("GET", "/events", headers={"Connection": "close", **headers})
            answer = connection.getresponse()
            kept.callback(answer.close)
            return answer

        yield asked


def news(answer):
    """What the next event tells."""
    while not (line := answer.readline()).startswith(b"data: "):
        assert line, "the stream has ended"
    return json.loads(line[6:])


def test_results_offer_what_can_be_made_of_them(tmp_path):
    record(write_results(tmp_path, (40, 50)))
    kinds = [offer["kind"] for offer in Project(tmp_path).offers()[0]]
    assert kinds == ["picture", "channels", "claims", "again"]
    record(tmp_path, [{"searched": [], "inputs": [], "not_read": []}])
    added = Sources(added=(tmp_path / "night",))
    found = {offer["kind"]: offer["about"] for offer in Project(tmp_path, added).offers()[0]}
    assert list(found) == ["add", "picture", "channels", "claims"], (
        "such a stack is made again elsewhere only"
    )
    assert str(tmp_path / "night") in found["add"]


def test_nights_offer_the_run(tmp_path):
    project = Project(tmp_path / "out", Sources(nights=(tmp_path / "nights",)))
    (offer,), none = project.offers()
    assert none == ""
    assert offer["kind"] == "run"
    assert str(tmp_path / "out") in offer["about"]
    facts = project.facts()
    assert facts["sets"] == []


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"", "no JSON"),
        (b"\xff\xfe", "no JSON"),
        (b"[" * 200_000, "no JSON"),
        (b"[]", "an object"),
        (b'{"kind": 3}', "by its kind"),
        (b'{"kind": "picture", "settings": []}', "by its kind"),
        (b'{"kind": "../../x"}', "no such job now"),
        (b'{"kind": "run", "nights": ["/etc"]}', "no such job now"),
        (b'{"kind": "picture", "settings": {"denoise": {"strength": 2}}}', "denoise.strength = 2"),
        (b'{"kind": "picture", "settings": {"denoise": {"strength": NaN}}}', "finite number"),
        (b'{"kind": "picture", "settings": {"strech": {}}}', "did you mean stretch"),
    ],
)
def test_wishes_that_cannot_be_met_are_told(tmp_path, body, words):
    record(write_results(tmp_path, (40, 50)))
    keys = Keys(PORT)
    client = TestClient(application(Project(tmp_path), keys, PORT), base_url=f"http://127.0.0.1:{PORT}")
    client.get(f"/enter?key={keys.link}")
    answer = client.post("/jobs", content=body, headers={WRITING: keys.writing})
    assert answer.status_code == 400
    assert words in answer.json()["error"]["message"]


def test_an_oversized_wish_is_refused_however_it_comes(page):
    assert page.post("/jobs", content=b"x" * (MOST_BODY + 1)).status_code == 413

    def pieces():
        for _ in range(20):
            yield b"x" * (MOST_BODY // 10)

    answer = page.post("/jobs", content=pieces())
    assert answer.status_code == 400
    assert f"at most {MOST_BODY} bytes" in answer.json()["error"]["message"]


@pytest.mark.parametrize("address", ["/jobs", "/jobs/1/stop"])
def test_jobs_are_started_and_stopped_by_the_page_alone(page, address):
    assert page.post(address, json={}, headers={WRITING: "wrong"}).status_code == 403
    assert page.get("/jobs").json()["jobs"] == []


def test_a_job_is_started_followed_and_done(page, project, tmp_path):
    assert page.post("/jobs", json={"kind": "picture"}).json() == {"number": 1}
    again = page.post("/jobs", json={"kind": "picture"})
    assert (again.status_code, "a job is at work" in again.json()["error"]["message"]) == (400, True)
    (tmp_path / "go").touch()
    ended(project)
    assert [job["state"] for job in page.get("/jobs").json()["jobs"]] == ["done"]
    assert page.post("/jobs/1/stop", json={}).status_code == 400


def ended(project):
    until = time.monotonic() + 30
    while project.jobs.at_work:
        assert time.monotonic() < until
        time.sleep(0.05)


def test_the_stream_tells_of_a_job_and_survives_none_of_its_tabs(link, stream, project, tmp_path):
    """A tab that is closed stops nothing; another one is told all."""
    port, cookie = link
    answer = stream(port, Cookie=cookie)
    assert (answer.status, answer.getheader("content-type")) == (200, "text/event-stream; charset=utf-8")
    assert news(answer) == []
    project.start("picture")
    assert news(answer)[0]["state"] == "working"
    answer.close()
    (tmp_path / "go").touch()
    ended(project)
    answer = stream(port, Cookie=cookie)
    assert news(answer)[0]["lines"][0] == ["walk", "2 steps taken"]


def test_strangers_get_no_stream(link, stream):
    port, cookie = link
    here = f"127.0.0.1:{port}"
    for headers in (
        {},
        {"Cookie": f"fourlight-{port}=wrong"},
        {"Cookie": cookie, "Host": "elsewhere.example"},
        {"Cookie": cookie, "Host": f"elsewhere.example:{port}"},
        {"Cookie": cookie, "Host": here, "Origin": "http://elsewhere.example"},
        {"Cookie": cookie, "Host": here, "Origin": "null"},
        {"Cookie": cookie, "Host": here, "Sec-Fetch-Site": "cross-site"},
    ):
        answer = stream(port, **headers)
        assert (answer.status, json.loads(answer.read())["error"]["kind"]) == (403, "refused"), headers


def test_two_hundred_streams_keep_nobody_out(link, stream):
    """The first ones are told, the others are refused at once, and whoever asks else is answered."""
    port, cookie = link
    asked = [stream(port, Cookie=cookie) for _ in range(200)]
    most = run_routes.MOST_STREAMS
    assert [answer.status for answer in asked] == [200] * most + [503] * (200 - most)
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    connection.request("GET", "/session", headers={"Cookie": cookie})
    with connection.getresponse() as answer:
        assert answer.status == 200
    connection.close()
    for answer in asked:
        answer.close()
    until = time.monotonic() + 20
    while stream(port, Cookie=cookie).status == 503:  # streams whose tabs are gone are given up
        assert time.monotonic() < until
        time.sleep(0.1)


def test_a_quiet_stream_is_kept_alive(link, stream, monkeypatch):
    monkeypatch.setattr(run_routes, "QUIET_S", 0.2)
    monkeypatch.setattr(serving, "SLOW_S", 0.5)  # those that come late are left, those that listen are not
    port, cookie = link
    answer = stream(port, Cookie=cookie)
    assert news(answer) == []
    begun = time.monotonic()
    words = [answer.readline() for _ in range(8)]
    assert words.count(b": still here\n") >= 3
    assert time.monotonic() - begun > 0.5


def test_the_end_of_the_server_ends_streams_and_leaves_the_job_to_be_stopped(
    project, stream, tmp_path, monkeypatch
):
    """As Ctrl-C does: the job at work puts things in order when the project is closed."""
    servers = []
    kept = serving._Server

    def noted(*words):
        servers.append(kept(*words))
        return servers[0]

    monkeypatch.setattr(serving, "_Server", noted)
    tidied, begun = tmp_path / "tidied", tmp_path / "begun"
    monkeypatch.setattr("fourlight.pipeline.project.order_for", lambda *_wish: Waits(tidied, begun))
    thread, port, cookie = served(project)
    answer = stream(port, Cookie=cookie)
    news(answer)
    project.start("picture")
    until = time.monotonic() + 30
    while not begun.exists():
        assert time.monotonic() < until
        time.sleep(0.02)
    servers[0].should_exit = True
    answer.read()  # to its end
    thread.join(10)
    assert not thread.is_alive()
    assert project.jobs.at_work == "Wait"
    project.jobs.close()
    assert tidied.exists()
