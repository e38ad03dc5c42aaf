"""Camera raw files made by the open specifications: TIFF/EP and DNG tags, EXIF."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
import tifffile


def exif_block(entries: dict[int, tuple[int, bytes]], start: int) -> bytes:
    """An EXIF directory at byte ``start``: tag -> (type, value bytes), little-endian (TIFF 6.0 section 2)."""
    sizes = {2: 1, 3: 2, 4: 4, 5: 8}
    table, tail = struct.pack("<H", len(entries)), b""
    tail_start = start + 2 + 12 * len(entries) + 4
    for tag, (kind, value) in sorted(entries.items()):
        stored = value.ljust(4, b"\0") if len(value) <= 4 else struct.pack("<I", tail_start + len(tail))
        table += struct.pack("<HHI", tag, kind, len(value) // sizes[kind]) + stored
        tail += value + b"\0" * (len(value) % 2) if len(value) > 4 else b""
    return table + struct.pack("<I", 0) + tail


def write_dng(
    path: Path,
    mosaic: np.ndarray,
    pattern: str = "RGGB",
    *,
    black: tuple[int, int, int, int] | None = None,
    white: int = 16383,
    active: tuple[int, int, int, int] | None = None,
    exif: dict[int, tuple[int, bytes]] | None = None,
) -> Path:
    """DNG with CFARepeatPatternDim 33421, CFAPattern 33422 (0 R, 1 G, 2 B), DNGVersion 50706, levels, area."""
    identity = (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1)
    tags: list[tuple[int, int, int, Any, bool]] = [
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, bytes("RGB".index(letter) for letter in pattern), True),
        (50706, 1, 4, bytes((1, 4, 0, 0)), True),
        (50708, 2, 0, "Invented One", True),
        (50717, 4, 1, white, True),
        (50721, 10, 9, identity, True),
        (271, 2, 0, "Invented", True),
        (272, 2, 0, "One", True),
    ]
    if black:
        tags += [(50713, 3, 2, (2, 2), True), (50714, 3, 4, black, True)]
    if active:
        tags.append((50829, 4, 4, active, True))
    if exif:
        tags.append((34666, 4, 1, 0xABCDEF, True))  # in the place of 34665, which tifffile keeps for itself
    tifffile.imwrite(path, mosaic, photometric=32803, extratags=tags, metadata=None)
    if exif:
        content = path.read_bytes()
        content += b"\0" * (len(content) % 2)
        placeholder = struct.pack("<HHII", 34666, 4, 1, 0xABCDEF)
        content = content.replace(placeholder, struct.pack("<HHII", 34665, 4, 1, len(content)))
        path.write_bytes(content + exif_block(exif, len(content)))
    return path
