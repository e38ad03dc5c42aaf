"""What stands before every answer: which requests are refused, and what browsers are told about each page."""

from __future__ import annotations

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fourlight.web.keys import Keys
from fourlight.web.wrong import fault, refusal

__all__ = ["MOST_BODY", "OPENING", "WRITING", "Guard"]

OPENING = "/enter"
"""Where the link of the terminal leads: the only address without a session."""
WRITING = "fourlight-writing"
"""Header that comes with every change."""
READING = ("GET", "HEAD")
MOST_BODY = 1_000_000
"""Bytes that a request may hold."""

POLICY = (
    "default-src 'self'; img-src 'self' blob:; object-src 'none'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
TOLD = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


class Guard:
    """Middleware: refuses what does not come from the page of this very session.

    A name that leads to this machine is no proof that a request is ours: pages of other places can make a browser ask
    here, by their own name (then Host is wrong), or across (then Origin is, and the strict cookie is missing).
    """

    def __init__(self, app: ASGIApp, keys: Keys, port: int) -> None:
        self._app, self._keys = app, keys
        self._hosts = {f"{name}:{port}" for name in ("127.0.0.1", "localhost")}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        headers = Headers(scope=scope)
        why = self._wrong(scope["method"], scope["path"], headers)
        if why:
            await refusal(403, "refused", why)(scope, receive, _told(send))
            return
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > MOST_BODY:
            await refusal(413, "too large", f"a request holds at most {MOST_BODY} bytes")(
                scope, receive, _told(send)
            )
            return
        await self._answer(scope, _bounded(receive), _told(send))

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Of the application; its faults are answered here, so that the headers of all answers go with them."""
        begun = False

        async def noted(message: Message) -> None:
            nonlocal begun
            begun = True
            await send(message)

        try:
            await self._app(scope, receive, noted)
        except Exception as error:
            answer = fault(scope["path"], error)
            if not begun:  # else the connection is closed, as nothing can be added to what was sent
                await answer(scope, receive, send)

    def _wrong(self, method: str, path: str, headers: Headers) -> str:
        """Why a request is refused; empty: it is not."""
        host = headers.get("host", "")
        if len(headers.getlist("host")) != 1 or host not in self._hosts:
            return "this address is not the one of the page"
        if any(origin != f"http://{host}" for origin in headers.getlist("origin")):
            return "another page asks"
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return "another page asks" if path != OPENING else ""
        if path == OPENING and method in READING:
            return ""
        if not self._keys.is_session(_cookie(headers, self._keys.cookie)):
            return "no session; open the link that the terminal shows, or start fourlight open again"
        if method not in READING and not self._keys.may_write(headers.get(WRITING, "")):
            return "changes are taken from the page only"
        return ""


def _cookie(headers: Headers, name: str) -> str:
    """Value of a cookie, whatever other programs of this host left beside it; empty where there is none."""
    return cookie_parser("; ".join(headers.getlist("cookie"))).get(name, "")


def _told(send: Send) -> Send:
    """Headers that go with every answer."""

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in TOLD.items():
                headers[name] = value
            headers.setdefault("cache-control", "no-store")
        await send(message)

    return sending


def _bounded(receive: Receive) -> Receive:
    """A body without stated length ends the request where it grows too large."""
    seen = 0

    async def receiving() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        return message if seen <= MOST_BODY else {"type": "http.disconnect"}

    return receiving
