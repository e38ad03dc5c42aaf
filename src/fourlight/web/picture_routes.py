"""Addresses of the finished picture: what there is to know of it, its steps, its files."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from fourlight.pipeline.project import Project
from fourlight.pipeline.shown_picture import picture_facts, picture_file, step_file

__all__ = ["PICTURE_ROUTES"]


async def _picture(request: Request) -> Response:
    project: Project = request.app.state.project
    return JSONResponse(await run_in_threadpool(picture_facts, project.folder))


async def _step(request: Request) -> Response:
    project: Project = request.app.state.project
    path = await run_in_threadpool(step_file, project.folder, request.path_params["name"])
    return FileResponse(path, media_type="image/jpeg")


async def _file(request: Request) -> Response:
    project: Project = request.app.state.project
    path = await run_in_threadpool(picture_file, project.folder, request.path_params["name"])
    return FileResponse(path, filename=path.name)


PICTURE_ROUTES = [
    Route("/picture", _picture),
    Route("/picture/steps/{name}", _step),
    Route("/picture/files/{name}", _file),
]
