"""Addresses of jobs: what can be started, start, stop, and a stream that tells how they go on."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import AsyncIterator

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import Receive, Scope, Send

from fourlight.errors import InputError
from fourlight.pipeline.project import Project
from fourlight.web.asked import asked
from fourlight.web.wrong import refusal

__all__ = ["MOST_STREAMS", "RUN_ROUTES"]

MOST_STREAMS = 16
"""Tabs that are told at the same time; those that nobody sees close theirs."""
LOOK_S = 0.2
QUIET_S = 15.0
"""Time without news after which a word is sent, so that a connection that broke is noticed."""


async def _offers(request: Request) -> Response:
    project: Project = request.app.state.project
    offers, none = await run_in_threadpool(project.offers)
    return JSONResponse({"offers": offers, "none": none, "jobs": project.jobs.told()})


async def _start(request: Request) -> Response:
    project: Project = request.app.state.project
    wish = await asked(request)
    kind, settings = wish.get("kind"), wish.get("settings")
    if not isinstance(kind, str) or not isinstance(settings, dict | None):
        raise InputError("a job is asked for by its kind, and settings by their names; reload the page")
    return JSONResponse({"number": await run_in_threadpool(project.start, kind, settings)})


async def _stop(request: Request) -> Response:
    project: Project = request.app.state.project
    await run_in_threadpool(project.jobs.stop, request.path_params["number"])
    return JSONResponse({})


async def _events(request: Request) -> Response:
    state = request.app.state
    if len(state.streams) >= MOST_STREAMS:
        return refusal(503, "busy", "this page is open in too many tabs; close some of them")
    return _Stream(state.project, state.ending, state.streams)


class _Stream(StreamingResponse):
    """Server-sent events (WHATWG HTML, section 9.2), each with all jobs as they are."""

    def __init__(self, project: Project, ending: threading.Event, streams: set[Response]) -> None:
        super().__init__(_news(project, ending), media_type="text/event-stream")
        self._streams = streams

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self._streams.add(self)
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._streams.discard(self)


async def _news(project: Project, ending: threading.Event) -> AsyncIterator[str]:
    edition, quiet_s = -1, 0.0
    while not ending.is_set():
        if project.jobs.edition != edition:
            edition, quiet_s = project.jobs.edition, 0.0
            yield f"data: {json.dumps(project.jobs.told())}\n\n"
        elif quiet_s >= QUIET_S:
            quiet_s = 0.0
            yield ": still here\n\n"
        await asyncio.sleep(LOOK_S)
        quiet_s += LOOK_S


RUN_ROUTES = [
    Route("/jobs", _offers),
    Route("/jobs", _start, methods=["POST"]),
    Route("/jobs/{number:int}/stop", _stop, methods=["POST"]),
    Route("/events", _events),
]
