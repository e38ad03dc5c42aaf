"""The mosaic of colour filters: which plane a pixel belongs to, and what flips and crops do to it.

A pattern is four letters, row by row from array element ``[0, 0]``: ``RGGB`` means red at ``[0, 0]``, green
at ``[0, 1]`` and ``[1, 0]``, blue at ``[1, 1]``. The green that shares its rows with red is ``G1``, the one
that shares its rows with blue is ``G2``.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["COLOURS", "ODD", "PATTERNS", "PLANES", "cropped", "flipped", "plane_map", "split"]

PLANES = ("R", "G1", "G2", "B")
COLOURS = ("R", "G", "B")
"""What the planes are together: G is made from the samples of both greens."""
PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")
ODD = 15
"""From one sample that tells a level to the next: an odd step takes all four places of the mosaic."""


def plane_map(pattern: str) -> npt.NDArray[np.int64]:
    """Plane index (0 R, 1 G1, 2 G2, 3 B) of each pixel of the repeating 2 x 2 cell.

    Parameters
    ----------
    pattern : str
        One of `PATTERNS`.

    Returns
    -------
    (2, 2) int64
        Index into `PLANES` for ``[y % 2, x % 2]``.

    Examples
    --------
    >>> plane_map("GBRG").tolist()
    [[2, 3], [0, 1]]
    """
    if pattern not in PATTERNS:
        raise ValueError(f"mosaic {pattern!r} is not one of {', '.join(PATTERNS)}")
    cell = np.empty((2, 2), dtype=np.int64)
    for y in range(2):
        row = pattern[2 * y : 2 * y + 2]
        for x, colour in enumerate(row):
            cell[y, x] = {"R": 0, "G": 1 if "R" in row else 2, "B": 3}[colour]
    return cell


def cropped(pattern: str, y0: int, x0: int) -> str:
    """Pattern seen by a crop whose first pixel is ``[y0, x0]`` of the full frame.

    >>> cropped("RGGB", 1, 0), cropped("RGGB", 3, 5)
    ('GBRG', 'BGGR')
    """
    rows = (pattern[:2], pattern[2:])
    picked = [rows[(y + y0) % 2] for y in range(2)]
    return "".join(row[(x + x0) % 2] for row in picked for x in range(2))


def flipped(pattern: str, ny: int, nx: int, *, vertical: bool = False, horizontal: bool = False) -> str:
    """Pattern after mirroring a frame of ``ny`` by ``nx`` pixels; an odd size moves the phase again.

    >>> flipped("RGGB", 700, 700, vertical=True)
    'GBRG'
    """
    if vertical:
        pattern = cropped(pattern, ny - 1, 0)
    if horizontal:
        pattern = cropped(pattern, 0, nx - 1)
    return pattern


def split(image: npt.NDArray[np.floating], pattern: str) -> dict[str, npt.NDArray[np.floating]]:
    """The four planes as half-size views of a mosaic frame (an odd last row or column is left out).

    Parameters
    ----------
    image : (ny, nx) array
        Mosaic frame.
    pattern : str
        One of `PATTERNS`.

    Returns
    -------
    dict of str to (ny // 2, nx // 2) view
        One entry per name in `PLANES`.
    """
    ny, nx = image.shape[0] // 2 * 2, image.shape[1] // 2 * 2
    cell = plane_map(pattern)
    return {PLANES[cell[y, x]]: image[y:ny:2, x:nx:2] for y in range(2) for x in range(2)}
