"""How stars of the whole sky are packed: cells of equal height along bands of declination, eight bytes a star.

A record holds the place in the cell (14 bits each way), V, B-V and proper motion; fast stars stand in a table beside.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = [
    "BANDS",
    "FASTEST_MAS",
    "RECORD",
    "band_cells",
    "cell_of",
    "cells_in_cone",
    "first_cells",
    "packed",
    "unpacked",
]

Float64 = npt.NDArray[np.float64]
Int64 = npt.NDArray[np.int64]

RECORD = np.dtype("<u8")
BANDS = 400
"""Of declination, 0.45 degrees each; 14 bits divide that into steps of 0.099 arcsec."""
HEIGHT_DEG = 180.0 / BANDS
STEPS = 1 << 14
BRIGHTEST, BLUEST = -2.0, -1.0
HUNDREDTHS_V, HUNDREDTHS_BV = (1 << 11) - 1, (1 << 9) - 1
"""Largest stored V; B-V that stands for 'not known'."""
FASTEST_MAS = 127
"""Proper motion per axis that fits a record, mas/yr; -128 says that the star is in the table of fast ones."""


def band_cells() -> Int64:
    """Cells (400,) of every band, southmost first: as many as make none wider than 0.45 degrees."""
    edge = -90.0 + HEIGHT_DEG * np.arange(BANDS + 1)
    nearest = np.where(edge[1:] <= 0, np.abs(edge[1:]), np.abs(edge[:-1]))
    many = np.ceil(np.cos(np.radians(nearest)) * 360.0 / HEIGHT_DEG - 1e-9).astype(np.int64)
    return np.asarray(np.maximum(many, 1))


def first_cells() -> Int64:
    """Number (401,) of the first cell of every band, and how many cells there are."""
    return np.concatenate([[0], np.cumsum(band_cells())])


def cell_of(ra_deg: Float64, dec_deg: Float64) -> Int64:
    """Number of the cell that holds a place.

    >>> int(cell_of(np.array([0.0]), np.array([-90.0]))[0])
    0
    """
    band = np.clip(((dec_deg + 90.0) / HEIGHT_DEG).astype(np.int64), 0, BANDS - 1)
    many = band_cells()[band]
    along = np.minimum((ra_deg % 360.0 / 360.0 * many).astype(np.int64), many - 1)
    return np.asarray(first_cells()[band] + along)


def _corners(cell: Int64) -> tuple[Float64, Float64, Float64]:
    """Western and southern edge of cells, and their width, degrees."""
    first = first_cells()
    band = np.searchsorted(first, cell, side="right") - 1
    width = np.asarray(360.0 / band_cells()[band], dtype=np.float64)
    west, south = (cell - first[band]) * width, -90.0 + HEIGHT_DEG * band
    return np.asarray(west), np.asarray(south), width


def packed(
    ra_deg: Float64, dec_deg: Float64, v_mag: Float64, b_v: Float64, pm_mas: Float64
) -> npt.NDArray[np.uint64]:
    """Records of stars; ``pm_mas`` (n, 2) along right ascension (times cos Dec) and declination, a year."""
    west, south, width = _corners(cell_of(ra_deg, dec_deg))
    x = np.minimum((ra_deg % 360.0 - west) / width * STEPS, STEPS - 1).astype(np.uint64)
    y = np.minimum((dec_deg - south) / HEIGHT_DEG * STEPS, STEPS - 1).astype(np.uint64)
    v = np.clip(np.rint((v_mag - BRIGHTEST) * 100), 0, HUNDREDTHS_V).astype(np.uint64)
    colour = np.clip(np.rint((np.nan_to_num(b_v) - BLUEST) * 100), 0, HUNDREDTHS_BV - 1)
    colour = np.where(np.isnan(b_v), HUNDREDTHS_BV, colour).astype(np.uint64)
    motion = np.rint(pm_mas)
    motion[(np.abs(motion) > FASTEST_MAS).any(axis=1)] = -FASTEST_MAS - 1
    along, up = (motion.astype(np.int64) & 0xFF).astype(np.uint64).T
    return np.asarray(x | y << 14 | v << 28 | colour << 39 | along << 48 | up << 56)


def unpacked(
    records: npt.NDArray[np.uint64], cell: Int64
) -> tuple[Float64, Float64, Float64, Float64, Float64]:
    """Right ascension, declination (J2000, degrees), V, B-V (NaN: not known), and proper motion (n, 2) in mas/yr.

    >>> ra, dec = np.array([10.68]), np.array([41.27])
    >>> star = packed(ra, dec, np.array([3.44]), np.array([0.92]), np.array([[5.0, -6.0]]))
    >>> [part.round(2).tolist() for part in unpacked(star, cell_of(ra, dec))]
    [[10.68], [41.27], [3.44], [0.92], [[5.0, -6.0]]]
    """
    west, south, width = _corners(cell)

    def field(shift: int, bits: int) -> Int64:
        return (records >> np.uint64(shift) & np.uint64((1 << bits) - 1)).astype(np.int64)

    ra = west + (field(0, 14) + 0.5) * width / STEPS
    dec = south + (field(14, 14) + 0.5) * HEIGHT_DEG / STEPS
    colour = field(39, 9)
    b_v = np.where(colour == HUNDREDTHS_BV, np.nan, colour / 100 + BLUEST)
    motion = np.column_stack([field(48, 8), field(56, 8)])
    return ra, dec, field(28, 11) / 100 + BRIGHTEST, b_v, np.where(motion > 127, motion - 256, motion) * 1.0


def cells_in_cone(ra_deg: float, dec_deg: float, radius_deg: float) -> Int64:
    """Runs (n, 2) of cells, first and one after the last, that hold all of a cone."""
    first, many = first_cells(), band_cells()
    low = max(0, int((dec_deg - radius_deg + 90.0) / HEIGHT_DEG))
    high = min(BANDS - 1, int((dec_deg + radius_deg + 90.0) / HEIGHT_DEG))
    runs = []
    # The widest reach in right ascension: sin(half) = sin(radius) / cos(Dec), unless the cone holds a pole.
    ratio = np.sin(np.radians(min(radius_deg, 90.0))) / max(np.cos(np.radians(dec_deg)), 1e-12)
    polar = abs(dec_deg) + radius_deg >= 90.0 or ratio >= 1.0
    half = 180.0 if polar else float(np.degrees(np.arcsin(ratio)))
    for band in range(low, high + 1):
        n = int(many[band])
        start, stop = (int(np.floor((ra_deg + side * half) / 360.0 * n)) for side in (-1, 1))
        if polar or stop - start + 1 >= n:
            runs.append((0, n, band))
            continue
        start, length = start % n, stop - start + 1
        runs.append((start, min(start + length, n), band))
        if start + length > n:
            runs.append((0, start + length - n, band))
    return np.array([(first[band] + a, first[band] + b) for a, b, band in runs], dtype=np.int64)
