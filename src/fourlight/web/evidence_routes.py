"""Addresses of what the lights say of channels and claims, and of its figures and files."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from fourlight.pipeline.project import Project
from fourlight.pipeline.shown_evidence import evidence_facts, evidence_file

__all__ = ["EVIDENCE_ROUTES"]

KINDS = {
    ".png": "image/png", ".svg": "image/svg+xml", ".webp": "image/webp", ".json": "application/json",
    ".csv": "text/csv",
}  # fmt: skip


async def _evidence(request: Request) -> Response:
    project: Project = request.app.state.project
    return JSONResponse(await run_in_threadpool(evidence_facts, project.folder))


async def _file(request: Request) -> Response:
    """Files come by a name of a fixed list, to be kept as they are."""
    project: Project = request.app.state.project
    name = request.path_params["name"]
    path = await run_in_threadpool(evidence_file, project.folder, name)
    return FileResponse(path, media_type=KINDS[path.suffix], filename=path.name)


EVIDENCE_ROUTES = [Route("/evidence", _evidence), Route("/evidence/files/{name}", _file)]
