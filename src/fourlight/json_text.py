"""Text of JSON, of our own files or of others: what is nested without end is no JSON that can be read."""

from __future__ import annotations

import json
from typing import Any

__all__ = ["json_of"]


def json_of(text: str | bytes) -> Any:
    """What a text of JSON holds.

    Raises
    ------
    ValueError
        It is no JSON, or nested deeper than Python reads.

    >>> json_of('{"a": [1]}')
    {'a': [1]}
    """
    try:
        return json.loads(text)
    except RecursionError:
        raise ValueError("nested too deeply to be read") from None
