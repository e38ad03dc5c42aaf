"""Addresses of plans: forms and what there is, a night and subs at once, and what came of jobs."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from fourlight.pipeline.project import Project
from fourlight.web.asked import asked

__all__ = ["PLAN_ROUTES"]


async def _plans(request: Request) -> Response:
    project: Project = request.app.state.project
    return JSONResponse(await run_in_threadpool(project.plans.facts))


async def _night(request: Request) -> Response:
    project: Project = request.app.state.project
    return JSONResponse(await run_in_threadpool(project.plans.night, await asked(request)))


async def _subs(request: Request) -> Response:
    project: Project = request.app.state.project
    return JSONResponse(await run_in_threadpool(project.plans.subs, await asked(request)))


async def _compared(request: Request) -> Response:
    project: Project = request.app.state.project
    return JSONResponse(await run_in_threadpool(project.plans.comparison))


async def _whatif(request: Request) -> Response:
    project: Project = request.app.state.project
    return JSONResponse(await run_in_threadpool(project.plans.whatif, request.path_params["name"]))


async def _picture(request: Request) -> Response:
    project: Project = request.app.state.project
    path = await run_in_threadpool(project.plans.whatif_picture, request.path_params["name"])
    return FileResponse(path, media_type="image/png")


PLAN_ROUTES = [
    Route("/plans", _plans),
    Route("/plans/night", _night, methods=["POST"]),
    Route("/plans/subs", _subs, methods=["POST"]),
    Route("/plans/compared", _compared),
    Route("/plans/whatifs/{name}", _whatif),
    Route("/plans/whatifs/{name}/picture.png", _picture),
]
