"""Text files that a user names."""

from __future__ import annotations

import codecs
from pathlib import Path

from fourlight.errors import InputError

__all__ = ["MOST_BYTES", "text_of"]

MOST_BYTES = 4_000_000
"""Of a text: ten thousand marked lights take a third of it, and what is longer takes many seconds to read."""


def text_of(path: Path, kind: str, instead: str, missing: str = "") -> str:
    """Text of a file; ``missing`` is said where there is none of its name, ``instead`` is what to do."""
    try:
        with path.open("rb") as file:  # which may have no end
            content = file.read(MOST_BYTES + 1)
        if len(content) > MOST_BYTES:
            raise InputError(f"{path}: is no text, or one of more than {MOST_BYTES // 10**6} MB; {instead}")
        return content.decode(_encoding(content)).replace("\r\n", "\n").replace("\r", "\n")
    except OSError as error:
        gone = missing if isinstance(error, FileNotFoundError) else ""
        found = gone or f"cannot be read as {kind} ({error.strerror})"
    except UnicodeDecodeError:
        found = f"cannot be read as {kind} (not a text file in UTF-8 or UTF-16)"
        instead = f"save it as UTF-8, or {instead}"
    raise InputError(f"{path}: {found}; {instead}")


def _encoding(content: bytes) -> str:
    """How text is encoded, by the mark that some programs put first; the mark is no part of the text."""
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    return "utf-8-sig"
