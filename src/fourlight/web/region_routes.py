"""Address of the numbers of a region."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from fourlight.pipeline.project import Project
from fourlight.pipeline.region_numbers import region_facts

__all__ = ["REGION_ROUTES"]

EDGES = ("left", "upper", "right", "lower")
"""In pixels of the stack."""


async def _region(request: Request) -> Response:
    project: Project = request.app.state.project
    left, upper, right, lower = (request.path_params[edge] for edge in EDGES)
    box = (left, upper, right, lower)
    return JSONResponse(await run_in_threadpool(region_facts, project.folder, box))


REGION_ROUTES = [Route("/region/" + "/".join(f"{{{edge}:int}}" for edge in EDGES), _region)]
