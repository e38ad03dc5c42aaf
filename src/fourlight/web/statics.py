"""What the page is made of, held in memory: some forty small files, all of which a browser asks for at its start."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fourlight.web.wrong import refusal

__all__ = ["STATIC_ROUTES", "index"]

STATIC = files("fourlight.web") / "static"
KINDS = {".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml"}
"""Kinds of files that are given out; what systems call them differs."""


@cache
def _held() -> dict[str, tuple[bytes, str]]:
    found = {}
    for entry in STATIC.iterdir():
        ending = entry.name[entry.name.rfind(".") :]
        if ending in KINDS:
            found[entry.name] = entry.read_bytes(), KINDS[ending]
    return found


@cache
def index() -> bytes:
    """The page itself, which names all its modules at its head: else each would be asked for after the one before."""
    text = (STATIC / "index.html").read_text(encoding="utf-8")
    modules = sorted(name for name in _held() if name.endswith(".js"))
    links = "".join(f'<link rel="modulepreload" href="/static/{name}">\n' for name in modules)
    return text.replace("</head>", f"{links}</head>").encode()


async def _static(request: Request) -> Response:
    found = _held().get(request.path_params["name"])
    if found is None:
        return refusal(404, "absent", "there is nothing at this address")
    return Response(found[0], media_type=found[1])


STATIC_ROUTES = [Route("/static/{name}", _static)]
