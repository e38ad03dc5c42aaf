"""The application: which address gives what. Handlers only turn requests into calls and results into answers."""

from __future__ import annotations

import asyncio
import threading

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from fourlight import __version__
from fourlight.errors import FourlightError
from fourlight.pipeline.project import Project
from fourlight.pipeline.shown_planes import Tile
from fourlight.web.evidence_routes import EVIDENCE_ROUTES
from fourlight.web.guard import OPENING, Guard
from fourlight.web.keys import Keys
from fourlight.web.light_routes import LIGHT_ROUTES
from fourlight.web.picture_routes import PICTURE_ROUTES
from fourlight.web.plan_routes import PLAN_ROUTES
from fourlight.web.region_routes import REGION_ROUTES
from fourlight.web.run_routes import RUN_ROUTES
from fourlight.web.statics import STATIC_ROUTES, index
from fourlight.web.wrong import on_failure, refusal

__all__ = ["application"]

FOREVER = "private, max-age=31536000, immutable"
"""Tiles never change: their address holds the version of the file."""


def application(project: Project, keys: Keys, port: int) -> Starlette:
    """The page of one project."""
    app = Starlette(
        routes=[
            Route(OPENING, _enter),
            Route("/", _index),
            Route("/session", _session),
            Route("/shown/{name}", _shown),
            Route("/tiles/{name}/{version}/{plane}/{level:int}/{row:int}/{column:int}", _tile),
            *RUN_ROUTES,
            *PICTURE_ROUTES,
            *LIGHT_ROUTES,
            *EVIDENCE_ROUTES,
            *REGION_ROUTES,
            *PLAN_ROUTES,
            *STATIC_ROUTES,
        ],
        middleware=[Middleware(Guard, keys=keys, port=port)],
        exception_handlers={FourlightError: on_failure, 404: _absent, 405: _absent},
    )
    app.state.project, app.state.keys = project, keys
    app.state.streams, app.state.ending = set[Response](), threading.Event()
    app.state.drawing = asyncio.Lock()
    return app


async def _absent(request: Request, error: Exception) -> Response:
    return refusal(getattr(error, "status_code", 404), "absent", "there is nothing at this address")


async def _enter(request: Request) -> Response:
    keys: Keys = request.app.state.keys
    session = keys.opened_by(request.query_params.get("key", ""))
    if session is None:
        why = "this link was used before, or is that of another start; start fourlight open again"
        return refusal(403, "refused", why)
    answer = RedirectResponse("/", 303)
    answer.set_cookie(keys.cookie, session, httponly=True, samesite="strict", path="/")
    return answer


async def _index(request: Request) -> Response:
    project: Project = request.app.state.project
    project.expect()
    return Response(index(), media_type="text/html; charset=utf-8")


async def _session(request: Request) -> Response:
    project: Project = request.app.state.project
    facts = await run_in_threadpool(project.facts)
    return JSONResponse({**facts, "fourlight": __version__, "writing": request.app.state.keys.writing})


async def _shown(request: Request) -> Response:
    project: Project = request.app.state.project
    return JSONResponse(await run_in_threadpool(project.shown_facts, request.path_params["name"]))


async def _tile(request: Request) -> Response:
    project: Project = request.app.state.project
    at = request.path_params
    wanted = Tile(at["plane"], at["level"], at["row"], at["column"])

    def made() -> bytes | None:
        shown = project.shown(at["name"])
        return shown.tile(wanted) if shown.version == at["version"] else None

    codes = await run_in_threadpool(made)
    if codes is None:
        return refusal(404, "absent", "these planes have changed; open this view again")
    return Response(codes, media_type="application/octet-stream", headers={"cache-control": FOREVER})
