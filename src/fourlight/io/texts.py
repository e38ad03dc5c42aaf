"""Text files that a user names."""

from __future__ import annotations

import codecs
from pathlib import Path

from fourlight.errors import InputError

__all__ = ["text_of"]


def text_of(path: Path, kind: str, instead: str, missing: str = "") -> str:
    """Text of a file; ``missing`` is said where there is none of its name, ``instead`` is what to do."""
    try:
        content = path.read_bytes()
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
