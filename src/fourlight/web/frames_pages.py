"""Addresses of the lights of a run: their numbers, and small pictures of the raw frames."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from fourlight.pipeline.project import Project
from fourlight.pipeline.shown_lights import ShownLights
from fourlight.web.wrong import refusal

__all__ = ["frames_pages"]


def frames_pages(project: Project) -> list[BaseRoute]:
    """Lights are asked for by the number of their row: no path ever comes from the browser."""
    lights = ShownLights(project.folder)

    async def rows(_request: Request) -> Response:
        return JSONResponse(await run_in_threadpool(lights.facts))

    async def picture(request: Request) -> Response:
        at = request.path_params
        made = await run_in_threadpool(lights.pictures, at["version"], at["number"])
        if made is None or at["part"] not in ("field", "detail"):
            return refusal(
                404, "absent", "there is no such picture, or the lights have changed; open Frames again"
            )
        return Response(made.field if at["part"] == "field" else made.detail, media_type="image/png")

    return [Route("/lights", rows), Route("/lights/{version}/{number:int}/{part}.png", picture)]
