"""Addresses of the lights of a run: their numbers, and small pictures of the raw frames."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from fourlight.pipeline.project import Project
from fourlight.web.wrong import refusal

__all__ = ["LIGHT_ROUTES"]


async def _lights(request: Request) -> Response:
    project: Project = request.app.state.project
    return JSONResponse(await run_in_threadpool(project.lights.facts))


async def _picture(request: Request) -> Response:
    """Lights are asked for by the number of their row: no path ever comes from the browser."""
    project: Project = request.app.state.project
    at = request.path_params
    made = await run_in_threadpool(project.lights.pictures, at["version"], at["number"])
    if made is None or at["part"] not in ("field", "detail"):
        return refusal(
            404, "absent", "there is no such picture, or the lights have changed; open Frames again"
        )
    return Response(made.field if at["part"] == "field" else made.detail, media_type="image/png")


LIGHT_ROUTES = [Route("/lights", _lights), Route("/lights/{version}/{number:int}/{part}.png", _picture)]
