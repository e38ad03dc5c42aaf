"""Stars to V = 11 over the whole sky, shipped with the program: their places at any epoch, V and B-V.

The table is described, with its source and licence, beside it in ``data/stars``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fourlight.sky.starcells import BANDS, cells_in_cone, first_cells, unpacked

__all__ = ["FAINTEST", "CatalogueStars", "all_stars", "cone", "directions", "magnitude_errors"]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

FAINTEST = 11.0
"""V down to which the table is complete but for stars that its source lacks."""
EPOCH = 2000.0


@dataclass(frozen=True, slots=True)
class CatalogueStars:
    """Stars of the catalogue, brightest first; all arrays share their axis."""

    ra_deg: Float64
    """Right ascension at ``epoch``, equinox J2000 (ICRS)."""
    dec_deg: Float64
    v_mag: Float64
    b_v: Float64
    """NaN where it is not known."""
    row: Int64
    """Row of the table, which is the same as long as the table is."""
    epoch: float
    """Julian year of the places."""

    def __len__(self) -> int:
        return len(self.ra_deg)

    def chosen(self, index: npt.NDArray[np.bool_] | Int64) -> CatalogueStars:
        """Some of them, by mask or number."""
        return CatalogueStars(
            self.ra_deg[index], self.dec_deg[index], self.v_mag[index], self.b_v[index], self.row[index],
            self.epoch,
        )  # fmt: skip

    @property
    def direction(self) -> Float64:
        """(n, 3) unit vectors."""
        return directions(self.ra_deg, self.dec_deg)


def directions(ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike) -> Float64:
    """Unit vectors (..., 3) of places on the sky."""
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    return np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=-1)


def magnitude_errors(v_mag: npt.ArrayLike, b_v: npt.ArrayLike) -> tuple[Float64, Float64]:
    """Usual errors of V and of B-V of a star of the catalogue, magnitudes.

    Tycho-2 tells its errors star by star, the table here does not: 0.013 for VT < 9, 0.1 for all stars, whose median is
    near VT = 11.5 (Hog et al. 2000, A&A 355, L27, as remembered), in between as photon noise and background have it.
    BT is as uncertain as VT of a star of that magnitude, and B-V = 0.85 (BT-VT).

    >>> [float(value.round(3)) for value in magnitude_errors(11.0, 0.6)]
    [0.066, 0.104]
    """
    v, colour = np.asarray(v_mag, dtype=np.float64), np.asarray(b_v, dtype=np.float64)
    own, blue = (np.hypot(0.012, 0.065 * 10 ** (0.28 * (m - 11.0))) for m in (v, v + colour / 0.85))
    return own, np.asarray(0.85 * np.hypot(own, blue))


@dataclass(frozen=True, slots=True)
class _Table:
    records: npt.NDArray[np.uint64]
    """Mapped into memory: only what is looked at is read."""
    start: Int64
    """First record of every cell, and their number."""
    fast_row: Int64
    fast_mas: Float64


@cache
def _table() -> _Table:
    folder = Path(str(files("fourlight.data") / "stars"))
    counts = np.load(folder / "cells.npy").astype(np.int64)
    fast = np.load(folder / "fast.npy")
    return _Table(
        np.load(folder / "stars.npy", mmap_mode="r"),
        np.concatenate([[0], np.cumsum(counts)]),
        fast["row"].astype(np.int64),
        np.column_stack([fast["ra_mas"], fast["dec_mas"]]).astype(np.float64),
    )


def cone(
    ra_deg: float, dec_deg: float, radius_deg: float, *, epoch: float = EPOCH, faintest: float = np.inf
) -> CatalogueStars:
    """Stars within an angle of a place, brightest first, with their proper motion since 2000 applied.

    Parameters
    ----------
    ra_deg, dec_deg : float
        The place, equinox J2000.
    radius_deg : float
        Up to 180.
    epoch : float
        Julian year.
    faintest : float
        V.

    Notes
    -----
    Motion is linear in right ascension and declination, which near a pole fails for fast stars: 1 arcsec a year at
    89 degrees is off by 0.1 arcsec after 30 years.

    Examples
    --------
    >>> sirius = cone(101.3, -16.7, 0.1, faintest=0.0)
    >>> len(sirius), sirius.v_mag.round(2).tolist()
    (1, [-1.44])
    """
    table = _table()
    runs = cells_in_cone(ra_deg, dec_deg, radius_deg)
    rows, cells = _rows(table, runs)
    found = _stars(table, rows, cells, epoch)
    centre = directions(ra_deg, dec_deg)
    near = np.sum((found.direction - centre) ** 2, axis=1) <= 4 * np.sin(np.radians(radius_deg) / 2) ** 2
    return _brightest_first(found.chosen(near & (found.v_mag <= faintest)))


def all_stars(*, epoch: float = EPOCH, faintest: float = np.inf) -> CatalogueStars:
    """All stars, brightest first."""
    table = _table()
    rows, cells = _rows(table, np.array([[0, int(first_cells()[BANDS])]]))
    found = _stars(table, rows, cells, epoch)
    return _brightest_first(found.chosen(found.v_mag <= faintest))


def _brightest_first(stars: CatalogueStars) -> CatalogueStars:
    return stars.chosen(np.argsort(stars.v_mag, kind="stable"))


def _rows(table: _Table, runs: Int64) -> tuple[Int64, Int64]:
    """Rows of runs of cells, and the cell of each."""
    rows = [np.arange(table.start[a], table.start[b]) for a, b in runs]
    cells = [np.repeat(np.arange(a, b), np.diff(table.start[a : b + 1])) for a, b in runs]
    return np.concatenate(rows), np.concatenate(cells)


def _stars(table: _Table, rows: Int64, cells: Int64, epoch: float) -> CatalogueStars:
    ra, dec, v, b_v, motion = unpacked(np.asarray(table.records[rows]), cells)
    place = np.searchsorted(table.fast_row, rows)
    place[place == len(table.fast_row)] = 0
    fast = table.fast_row[place] == rows
    motion[fast] = table.fast_mas[place[fast]]
    years = (epoch - EPOCH) / 3.6e6
    dec = dec + motion[:, 1] * years
    ra = (ra + motion[:, 0] * years / np.cos(np.radians(np.clip(dec, -89.99, 89.99)))) % 360.0
    return CatalogueStars(ra, dec, v, b_v, rows, epoch)
