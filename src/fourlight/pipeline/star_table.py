"""Stars of the reference light at their places in the stack, as a table beside the stack.

All that is done with a finished stack takes its stars from here, so that a run and a command on its results see the
same ones: on planes of undersampled stars a search anew misses some.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from fourlight.core.cfa import PLANES
from fourlight.frames import StarList
from fourlight.io.room import whole
from fourlight.io.unreadable import unreadable

__all__ = ["COLUMNS", "STARS", "read_stars", "write_stars"]

STARS = "stars.csv"
COLUMNS = (
    "x_px", "y_px", *(f"flux_{plane}" for plane in PLANES), *(f"error_{plane}" for plane in PLANES), "fwhm_px",
    "elongation", "saturated",
)  # fmt: skip


def write_stars(path: Path, stars: StarList) -> None:
    """Write a star list, brightest first, with numbers that read back as they were."""
    with whole(path) as part, part.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(COLUMNS)
        shape = (stars.fwhm_px, stars.elongation)
        numbers = np.column_stack([stars.x, stars.y, stars.flux, stars.flux_error, *shape])
        for line, full in zip(numbers.tolist(), stars.saturated.tolist(), strict=True):
            rows.writerow([*map(repr, line), int(full)])


def read_stars(folder: Path) -> StarList:
    """The star list of a folder of results, as `write_stars` wrote it.

    Raises
    ------
    InputError
        There is none.
    """
    path = folder / STARS
    try:
        with path.open(newline="", encoding="utf-8") as file:
            head, *lines = csv.reader(file)
        found = np.array([[float(value) for value in line] for line in lines]).reshape(-1, len(COLUMNS))
        if tuple(head) != COLUMNS:
            raise ValueError
    except (OSError, ValueError, csv.Error) as error:
        why = f"not rows of numbers under {', '.join(COLUMNS)}"
        raise unreadable(
            path, error, f"fourlight run on the lights, with --out {folder}, makes it anew", why
        ) from None
    x, y, fwhm, elongation, full = found[:, [0, 1, 10, 11, 12]].T
    return StarList(x, y, found[:, 2:6], found[:, 6:10], fwhm, elongation, full > 0)
