"""What comes with a request, as plain data."""

from __future__ import annotations

from typing import Any

from starlette.requests import ClientDisconnect, Request

from fourlight.errors import InputError
from fourlight.json_text import json_of
from fourlight.web.guard import MOST_BODY

__all__ = ["asked"]


async def asked(request: Request) -> dict[str, Any]:
    """The JSON object in the body of a request.

    Raises
    ------
    InputError
        It is none, or is too large.
    """
    try:
        data = json_of(await request.body())
    except ClientDisconnect:
        raise InputError(f"a request holds at most {MOST_BODY} bytes") from None
    except ValueError:
        raise InputError("what came is no JSON; reload the page") from None
    if not isinstance(data, dict):
        raise InputError("an object of JSON is needed; reload the page")
    return data
