"""Nobody but the page of this session gets an answer, and the answers bind the browser.

Host, origin and cookie rules: OWASP cheat sheets on DNS rebinding (Host must be checked) and on cross-site request
forgery (Origin, SameSite, a secret of the session with changes).
"""

import pytest
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route
from starlette.testclient import TestClient

from fourlight.web.guard import MOST_BODY, WRITING, Guard
from fourlight.web.keys import Keys

PORT = 8123
ADDRESSES = ("/", "/session", "/shown/stack", "/static/main.js", "/tiles/stack/x/R/0/0/0", "/nothing")


def refused(answer):
    error = answer.json()["error"]
    assert (answer.status_code, error["kind"]) == (403, "refused")
    assert set(answer.json()) == {"error"}
    return error["message"]


@pytest.mark.parametrize("address", ADDRESSES)
def test_without_a_session_nothing_is_told(stranger, address):
    assert "no session" in refused(stranger.get(address))


@pytest.mark.parametrize("address", [*ADDRESSES, "/enter"])
@pytest.mark.parametrize(
    "host", ["elsewhere.example", "127.0.0.1", "127.0.0.1:1", "127.0.0.1:8123.elsewhere.example", ""]
)
def test_another_name_of_this_machine_is_refused(client, address, host):
    assert "not the one of the page" in refused(client.get(address, headers={"host": host}))


@pytest.mark.parametrize(
    "origin", ["http://elsewhere.example", "null", "https://127.0.0.1:8123", "http://127.0.0.1:9"]
)
def test_other_pages_are_refused(client, origin):
    assert "another page" in refused(client.get("/session", headers={"origin": origin}))


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_what_another_page_makes_the_browser_fetch_is_refused(client, site):
    assert "another page" in refused(client.get("/session", headers={"sec-fetch-site": site}))


def test_the_link_works_once(stranger, keys):
    assert "used before" in refused(stranger.get("/enter?key=wrong"))
    answer = stranger.get(f"/enter?key={keys.link}", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("fourlight-8123=")
    assert {"HttpOnly", "SameSite=strict", "Path=/"} <= {part.strip() for part in cookie.split(";")}
    stranger.cookies.clear()
    assert "used before" in refused(stranger.get(f"/enter?key={keys.link}"))


@pytest.mark.parametrize("cookie", ["wrong", "", "a=b; ;=", '"\\'])
def test_a_wrong_cookie_is_none(stranger, keys, cookie):
    assert "no session" in refused(stranger.get("/session", headers={"cookie": f"{keys.cookie}={cookie}"}))


@pytest.mark.parametrize(
    "other", ['prefs={"a":1}', "a b=c", "=", "nameless", 'open="', "ä=ö".encode(), "$Path=/", "a[]=1,2"]
)
def test_cookies_of_other_programs_of_this_host_lock_nobody_out(client, keys, other):
    """Browsers send what was set, whatever RFC 6265 section 4.1.1 lets a name and a value hold."""
    other = other if isinstance(other, bytes) else other.encode()
    own = f"{keys.cookie}={client.cookies[keys.cookie]}".encode()
    client.cookies.clear()
    for cookie in (other + b"; " + own, own + b"; " + other):
        assert client.get("/session", headers={"cookie": cookie}).status_code == 200
    assert "no session" in refused(client.get("/session", headers={"cookie": other}))


@pytest.mark.parametrize("address", ["/", "/session", "/static/main.js", "/nothing"])
def test_every_answer_binds_the_browser(client, address):
    told = client.get(address).headers
    assert "default-src 'self'" in told["content-security-policy"]
    assert "unsafe" not in told["content-security-policy"]
    assert told["x-content-type-options"] == "nosniff"
    assert told["referrer-policy"] == "no-referrer"
    assert told["cache-control"] == "no-store"


@pytest.fixture
def writable():
    """An application that takes changes, behind the guard."""

    async def take(request):
        return PlainTextResponse(str(len(await request.body())))

    keys = Keys(PORT)
    app = Guard(Starlette(routes=[Route("/change", take, methods=["POST", "PUT", "DELETE"])]), keys, PORT)
    client = TestClient(app, base_url=f"http://127.0.0.1:{PORT}", raise_server_exceptions=False)
    client.cookies.set(keys.cookie, keys.opened_by(keys.link))
    return client, {WRITING: keys.writing}


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH"])
def test_changes_need_the_secret_of_the_page(writable, method):
    client, secret = writable
    assert "from the page only" in refused(client.request(method, "/change"))
    assert "from the page only" in refused(client.request(method, "/change", headers={WRITING: "wrong"}))
    assert client.request(method, "/change", headers=secret).status_code == (
        405 if method == "PATCH" else 200
    )


def test_large_bodies_are_not_taken(writable):
    client, secret = writable
    assert client.post("/change", content=b"x" * MOST_BODY, headers=secret).text == str(MOST_BODY)
    assert client.post("/change", content=b"x" * (MOST_BODY + 1), headers=secret).status_code == 413

    def pieces():
        for _ in range(20):
            yield b"x" * (MOST_BODY // 10)

    assert client.post("/change", content=pieces(), headers=secret).status_code >= 400


def test_two_servers_have_other_secrets():
    assert len({Keys(1).link, Keys(1).link, Keys(1).writing, Keys(1).writing}) == 4
