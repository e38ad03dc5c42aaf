"""Address of the numbers of a region."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from fourlight.pipeline.project import Project
from fourlight.pipeline.region_numbers import region_facts

__all__ = ["region_pages"]

EDGES = ("left", "upper", "right", "lower")


def region_pages(project: Project) -> list[BaseRoute]:
    """A region is given by its edges, in pixels of the stack."""

    async def region(request: Request) -> Response:
        left, upper, right, lower = (request.path_params[edge] for edge in EDGES)
        box = (left, upper, right, lower)
        return JSONResponse(await run_in_threadpool(region_facts, project.folder, box))

    return [Route("/region/" + "/".join(f"{{{edge}:int}}" for edge in EDGES), region)]
