"""Colour profiles of displays: three primaries, D65 white and the sRGB curve (ICC.1:2010, matrix profiles)."""

from __future__ import annotations

import struct
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from fourlight.core.colour import WHITE, chromaticity, to_xyz

__all__ = ["display_profile"]

Float64 = npt.NDArray[np.float64]

D50 = np.array([0.9642, 1.0, 0.8249])
"""Of the space in which profiles connect (ICC.1:2010, 7.2.16)."""
BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
CURVE = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
"""Numbers of the sRGB curve (IEC 61966-2-1) as a parametric curve of type 3."""
FIXED_DATE = (2000, 1, 1, 0, 0, 0)
"""So that identical pictures give identical files."""


def display_profile(name: str, primaries: tuple[tuple[float, float], ...]) -> bytes:
    """A profile as bytes.

    Parameters
    ----------
    name : str
        What it is called, in ASCII.
    primaries : three (x, y)
        Chromaticities of red, green and blue.
    """
    adapted = _adaptation(chromaticity(WHITE)) @ to_xyz(primaries)
    numbers = {tag: adapted[:, k] for k, tag in enumerate((b"rXYZ", b"gXYZ", b"bXYZ"))}
    curve = b"para" + struct.pack(">IHH", 0, 3, 0) + b"".join(_fixed(value) for value in CURVE)
    tags = {
        b"desc": _words(name),
        b"cprt": _words("No copyright, use freely"),
        b"wtpt": _point(D50),
        b"chad": b"sf32" + bytes(4) + b"".join(map(_fixed, _adaptation(chromaticity(WHITE)).ravel())),
        **{tag: _point(value) for tag, value in numbers.items()},
        b"rTRC": curve,
        b"gTRC": curve,
        b"bTRC": curve,
    }
    return _file(tags)


def _adaptation(white: Float64) -> Float64:
    """From colours under a white to those under D50 (Bradford; ICC.1:2010, annex E)."""
    gain = (BRADFORD @ D50) / (BRADFORD @ white)
    return np.asarray(np.linalg.solve(BRADFORD, gain[:, None] * BRADFORD))


def _fixed(value: float) -> bytes:
    return struct.pack(">i", round(float(value) * 65536))


def _point(xyz: Float64) -> bytes:
    return b"XYZ " + bytes(4) + b"".join(map(_fixed, xyz))


def _words(text: str) -> bytes:
    """A multi-localised text with one language (ICC.1:2010, 10.13)."""
    data = text.encode("utf-16-be")
    return b"mluc" + struct.pack(">IIIHHII", 0, 1, 12, 0x656E, 0x5553, len(data), 28) + data


def _file(tags: Mapping[bytes, bytes]) -> bytes:
    """Header, table of tags, and their data, each at a multiple of four bytes; equal data are held once."""
    start, places, body = 128 + 4 + 12 * len(tags), dict[bytes, int](), b""
    table = struct.pack(">I", len(tags))
    for tag, data in tags.items():
        if data not in places:
            places[data] = start + len(body)
            body += data + bytes(-len(data) % 4)
        table += tag + struct.pack(">II", places[data], len(data))
    size = start + len(body)
    head = struct.pack(">I", size) + bytes(4) + struct.pack(">I", 0x04300000) + b"mntrRGB XYZ "
    head += struct.pack(">6H", *FIXED_DATE) + b"acsp" + bytes(28) + b"".join(map(_fixed, D50))
    return head.ljust(128, b"\0") + table + body
