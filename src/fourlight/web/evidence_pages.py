"""Addresses of what the lights say of channels and claims, and of its figures and files."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from fourlight.pipeline.project import Project
from fourlight.pipeline.shown_evidence import evidence_facts, evidence_file

__all__ = ["evidence_pages"]

KINDS = {
    "png": "image/png", "svg": "image/svg+xml", "webp": "image/webp", "json": "application/json", "csv": "text/csv",
}  # fmt: skip


def evidence_pages(project: Project) -> list[BaseRoute]:
    """Files come by a name of a fixed list, to be kept as they are."""

    async def facts(_request: Request) -> Response:
        return JSONResponse(await run_in_threadpool(evidence_facts, project.folder))

    async def file(request: Request) -> Response:
        name = request.path_params["name"]
        data = await run_in_threadpool(lambda: evidence_file(project.folder, name).read_bytes())
        kept = {"content-disposition": f'attachment; filename="{name}"'}
        return Response(data, media_type=KINDS[name.rpartition(".")[2]], headers=kept)

    return [Route("/evidence", facts), Route("/evidence/files/{name}", file)]
