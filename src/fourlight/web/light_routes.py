"""Addresses of the lights of a run: their numbers, small pictures of the raw frames, marks for the next run."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from fourlight.errors import InputError
from fourlight.pipeline.project import Project
from fourlight.web.asked import asked
from fourlight.web.wrong import refusal

__all__ = ["LIGHT_ROUTES"]

MARKS = ("leave", "use", "none")


async def _lights(request: Request) -> Response:
    project: Project = request.app.state.project
    return JSONResponse(await run_in_threadpool(project.lights.facts))


async def _mark(request: Request) -> Response:
    project: Project = request.app.state.project
    wish, version = await asked(request), request.path_params["version"]
    numbers, mark, reason = wish.get("lights"), wish.get("mark"), wish.get("reason", "")
    if not isinstance(numbers, list) or any(type(number) is not int for number in numbers):
        numbers = []
    if not numbers or mark not in MARKS or not isinstance(reason, str):
        raise InputError(
            "lights are marked by the numbers of their rows, with a mark and a reason; reload the page"
        )
    done = await run_in_threadpool(project.lights.put, version, numbers, mark, reason)
    return _gone("marks") if done is None else JSONResponse(done)


async def _step(request: Request) -> Response:
    """Undo or redo a change of marks."""
    project: Project = request.app.state.project
    back = request.path_params["way"] == "undo"
    if not back and request.path_params["way"] != "redo":
        return refusal(404, "absent", "there is nothing at this address")
    return JSONResponse(await run_in_threadpool(lambda: project.lights.step(back=back)))


def _gone(what: str) -> Response:
    return refusal(404, "absent", f"there are no such {what}, or the lights have changed; open Frames again")


async def _picture(request: Request) -> Response:
    """Lights are asked for by the number of their row: no path ever comes from the browser."""
    project: Project = request.app.state.project
    at = request.path_params
    async with request.app.state.drawing:  # who waits holds no thread, and may be at another light by now
        if await request.is_disconnected():
            return Response(status_code=204)
        made = await run_in_threadpool(project.lights.shown.pictures, at["version"], at["number"])
    if made is None or at["part"] not in ("field", "detail"):
        return _gone("pictures")
    return Response(made.field if at["part"] == "field" else made.detail, media_type="image/png")


LIGHT_ROUTES = [
    Route("/lights", _lights),
    Route("/lights/{version}/{number:int}/{part}.png", _picture),
    Route("/lights/{version}/marks", _mark, methods=["POST"]),
    Route("/marks/{way}", _step, methods=["POST"]),
]
