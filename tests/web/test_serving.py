"""The server itself: on this machine only, and nobody keeps it from answering others."""

import http.client
import re
import socket
import threading
import time

import pytest

from fourlight.errors import InputError
from fourlight.pipeline.project import Project
from fourlight.pipeline.raw_pictures import RawPictures
from fourlight.web import serving


@pytest.fixture
def link(results, monkeypatch):
    """A server at work, with little patience."""
    monkeypatch.setattr(serving, "SLOW_S", 0.6)
    links, ready = [], threading.Event()

    def told(address):
        links.append(address)
        ready.set()

    threading.Thread(target=serving.serve, args=(Project(results), 0, told), daemon=True).start()
    assert ready.wait(20)
    return links[0]


def port_of(link):
    return int(re.match(r"http://127\.0\.0\.1:(\d+)/enter\?key=[\w-]{43}$", link).group(1))


def asked(port, path="/session", **headers):
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    try:
        connection.request("GET", path, headers=headers)
        answer = connection.getresponse()
        return answer.status, dict(answer.getheaders()), answer.read()
    finally:
        connection.close()


def test_it_answers_who_has_the_link(link):
    port = port_of(link)
    assert asked(port)[0] == 403
    status, headers, _ = asked(port, link.split(str(port))[1])
    assert status == 303
    assert asked(port, Cookie=headers["set-cookie"].partition(";")[0])[0] == 200
    assert "server" not in headers


def test_it_listens_on_this_machine_only(link):
    others = {info[4][0] for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)} - {
        "127.0.0.1"
    }
    for address in [*others, "127.0.0.2"]:
        with socket.socket() as caller:
            caller.settimeout(2)
            assert caller.connect_ex((address, port_of(link))) != 0


def test_slow_clients_are_left(link):
    with socket.create_connection(("127.0.0.1", port_of(link)), timeout=20) as caller:
        begun = time.monotonic()
        caller.send(b"GET /session HTTP/1.1\r\nHost: ")
        assert caller.recv(100) == b""
        assert 0.5 < time.monotonic() - begun < 10


def test_drops_of_a_request_do_not_buy_time(link):
    """A header of which a byte comes now and then."""
    with socket.create_connection(("127.0.0.1", port_of(link)), timeout=20) as caller:
        ended = time.monotonic() + 15
        with pytest.raises(OSError):  # noqa: PT012
            while time.monotonic() < ended:
                caller.send(b"x")
                time.sleep(0.1)


def test_two_hundred_idle_connections_keep_nobody_out(link):
    port = port_of(link)
    idle = [socket.create_connection(("127.0.0.1", port), timeout=20) for _ in range(200)]
    try:
        assert asked(port)[0] == 403
        assert idle[-1].recv(10) == b""  # and they are closed after a while
    finally:
        for each in idle:
            each.close()


def test_pictures_that_nobody_waits_for_are_not_drawn(link, monkeypatch):
    """As where somebody hurries through lights, whose frames take long to read; meanwhile all else is answered."""
    drawn = []

    def pictures(_self, _version, number):
        drawn.append(number)
        time.sleep(0.3)
        return RawPictures(b"whole", b"middle")

    monkeypatch.setattr("fourlight.pipeline.shown_lights.ShownLights.pictures", pictures)
    port = port_of(link)
    cookie = asked(port, link.split(str(port))[1])[1]["set-cookie"].partition(";")[0]
    words = f"HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nCookie: {cookie}\r\n\r\n"
    passed = [socket.create_connection(("127.0.0.1", port), timeout=20) for _ in range(60)]
    for number, each in enumerate(passed):
        each.send(f"GET /lights/x/{number}/field.png {words}".encode())
    assert asked(port, Cookie=cookie)[0] == 200
    for each in passed:
        each.close()
    assert asked(port, "/lights/x/99/field.png", Cookie=cookie)[2] == b"whole"
    assert drawn[-1] == 99
    assert len(drawn) < 20


def test_a_taken_port_is_told(results):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(InputError, match=r"port \d+ cannot be used"):
            serving.serve(Project(results), taken.getsockname()[1])
