"""What hides the sky low down: altitude of the skyline over azimuth, from a file with one row for each direction."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from fourlight.errors import InputError

__all__ = ["WIDE_DEG", "Skyline", "skyline_from_text"]

Float64 = npt.NDArray[np.float64]

NEEDED = (
    "needed are rows of azimuth (0 to 360 degrees, from north over east) and altitude (-5 to 90 degrees), under a head "
    "such as azimuth,altitude"
)
NAMES = {
    "az": 0,
    "azimuth": 0,
    "azimuth_deg": 0,
    "az_deg": 0,
    "alt": 1,
    "altitude": 1,
    "altitude_deg": 1,
    "alt_deg": 1,
}
MOST_GAP_DEG = 180.0
"""Gap between directions over which no line is drawn."""
WIDE_DEG = 60.0
"""Gap between directions that is worth a word."""


@dataclass(frozen=True, slots=True, eq=False)
class Skyline:
    """Straight lines between directions, all around."""

    azimuth_deg: Float64
    """(n,) increasing, 0 to less than 360, from north over east."""
    altitude_deg: Float64
    source: str

    def at(self, azimuth_deg: npt.ArrayLike) -> Float64:
        """Altitude below which nothing is seen, degrees.

        >>> line = Skyline(np.array([0.0, 180.0]), np.array([10.0, 30.0]), "made up")
        >>> line.at([90.0, 350.0]).round(2).tolist()
        [20.0, 11.11]
        """
        azimuth = np.asarray(azimuth_deg, dtype=np.float64)
        return np.asarray(np.interp(azimuth, self.azimuth_deg, self.altitude_deg, period=360.0))

    @property
    def widest_gap_deg(self) -> float:
        """Largest angle between neighbouring directions."""
        around = np.append(self.azimuth_deg, self.azimuth_deg[0] + 360.0)
        return float(np.diff(around).max())


def skyline_from_text(text: str, source: str) -> Skyline:
    """The skyline in a file of two columns, apart by commas, semicolons, tabs or blanks; # begins a comment.

    Parameters
    ----------
    text : str
    source : str
        Name of the file, for messages.

    Raises
    ------
    InputError
        It can be read in two ways or not at all.

    Examples
    --------
    >>> skyline_from_text("azimuth,altitude\\n0,12\\n90,5\\n200,8", "mine.csv").at(45.0)
    array(8.5)
    """
    lines = [line.partition("#")[0].strip() for line in text.splitlines()]
    rows = [(number, _cells(line)) for number, line in enumerate(lines, 1) if line]
    if not rows:
        raise InputError(f"{source}: no row in it; {NEEDED}")
    order = _head(rows[0][1], source)
    body = rows if order is None else rows[1:]
    values = np.array([_numbers(cells, number, source) for number, cells in body]).reshape(-1, 2)
    if len(values) < 3:
        raise InputError(
            f"{source}: {len(values)} of the 3 directions around the horizon that are needed at least; {NEEDED}"
        )
    if order is None:
        _tell_apart(values, source)
    else:
        values = values[:, order]
    return _checked(values, source)


def _cells(line: str) -> list[str]:
    """Cells of a row; between semicolons or tabs a comma is that of a decimal."""
    if re.search(r"[;\t]", line):
        return [re.sub(r"(?<=\d),(?=\d)", ".", cell) for cell in re.split(r"\s*[;\t]\s*", line)]
    return re.split(r"\s*,\s*|\s+", line)


def _head(cells: list[str], source: str) -> list[int] | None:
    """Columns of azimuth and altitude by their names; None where the first row is numbers already."""
    known = [NAMES.get(cell.strip().strip('"').lower()) for cell in cells]
    if not any(re.search(r"[A-Za-z]", cell) for cell in cells):
        return None
    if sorted(place for place in known if place is not None) != [0, 1] or len(cells) != 2:
        raise InputError(f"{source}: its head is {', '.join(cells)}; {NEEDED}")
    return [known.index(0), known.index(1)]


def _numbers(cells: list[str], number: int, source: str) -> list[float]:
    try:
        if len(cells) != 2:
            raise ValueError
        values = [float(cell) for cell in cells]
    except ValueError:
        raise InputError(
            f"{source}: line {number} has {len(cells)} cells ({', '.join(cells)}) where two numbers with decimal "
            f"points are needed; {NEEDED}"
        ) from None
    if not np.isfinite(values).all():
        raise InputError(f"{source}: line {number} holds no finite number; {NEEDED}")
    return values


def _tell_apart(values: Float64, source: str) -> None:
    """Without a head, numbers must say themselves which column is which."""
    grows = [bool((np.diff(values[:, k]) > 0).all()) for k in (0, 1)]
    fits = [bool((abs(values[:, k]) <= 90).all()) for k in (0, 1)]
    if grows[0] and fits[1] and not (grows[1] and fits[0]):
        return
    raise InputError(
        f"{source}: without a head its columns could be azimuth and altitude in either order; put azimuth,altitude in "
        "the first line"
    )


def _checked(values: Float64, source: str) -> Skyline:
    azimuth, altitude = values.T
    if azimuth.min() < 0 or azimuth.max() > 360 or altitude.min() < -5 or altitude.max() > 90:
        raise InputError(
            f"{source}: azimuths of {azimuth.min():g} to {azimuth.max():g} and altitudes of {altitude.min():g} to "
            f"{altitude.max():g} degrees; {NEEDED}"
        )
    order = np.argsort(azimuth, kind="stable")
    azimuth, altitude = azimuth[order], altitude[order]
    if azimuth[0] == 0 and azimuth[-1] == 360 and altitude[0] == altitude[-1]:
        azimuth, altitude = azimuth[:-1], altitude[:-1]
    azimuth = azimuth % 360.0
    azimuth, altitude = azimuth[np.argsort(azimuth)], altitude[np.argsort(azimuth)]
    for before, after in pairwise(azimuth.tolist()):
        if before == after:
            raise InputError(
                f"{source}: azimuth {before:g} has two altitudes; for a steep edge give directions 0.1 degrees apart"
            )
    found = Skyline(azimuth, altitude, source)
    if found.widest_gap_deg > MOST_GAP_DEG:
        raise InputError(
            f"{source}: no direction for {found.widest_gap_deg:.0f} degrees of the horizon; name some all around, with "
            "altitude 0 where it is free"
        )
    return found
