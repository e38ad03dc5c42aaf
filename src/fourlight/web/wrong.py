"""Errors as the page gets them: one shape, in plain words, without a trace of the program."""

from __future__ import annotations

import logging

from starlette.requests import Request
from starlette.responses import JSONResponse

from fourlight.errors import FourlightError

__all__ = ["fault", "on_failure", "refusal"]

LOG = logging.getLogger("fourlight.web")

FAULT = "a fault of the program; the terminal says more, where fourlight open was started with --debug"


def refusal(status: int, kind: str, message: str) -> JSONResponse:
    """``{"error": {"kind": ..., "message": ...}}``: what went wrong, for a program and for a person."""
    return JSONResponse({"error": {"kind": kind, "message": message}}, status)


async def on_failure(request: Request, error: Exception) -> JSONResponse:
    """What Fourlight says of wrong input, and of work that cannot go on."""
    wrong = isinstance(error, FourlightError) and error.exit_code == 2
    return refusal(400 if wrong else 500, "input" if wrong else "failed", str(error))


def fault(path: str, error: Exception) -> JSONResponse:
    """What nobody foresaw is told to the log only."""
    LOG.error("fault while answering %s", path, exc_info=error)
    return refusal(500, "fault", FAULT)
