"""The named planes of a FITS file of results, read piece by piece from where they lie."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from fourlight.io.cards import Unit, walk
from fourlight.io.fits import NUMBER_TYPES
from fourlight.io.mapping import MappedPixels
from fourlight.io.unreadable import unreadable

__all__ = ["planes_and_units", "planes_of"]


def planes_of(path: Path) -> dict[str, MappedPixels]:
    """Image extensions of a file by their names (EXTNAME), in their order.

    Parameters
    ----------
    path : Path
        Such as ``stack.fits``; its pixels are read when they are asked for.

    Raises
    ------
    InputError
        The file is missing or is not FITS.
    """
    return planes_and_units(path)[0]


def planes_and_units(path: Path) -> tuple[dict[str, MappedPixels], dict[str, str]]:
    """Planes as by `planes_of`, and the unit of each (BUNIT), such as ``electron``; empty for those that tell none.

    Raises
    ------
    InputError
        As by `planes_of`.
    """
    found = _named(path)
    units = {
        name: str(plane.cards["BUNIT"].value).strip() if "BUNIT" in plane.cards else ""
        for name, plane in found.items()
    }
    return {name: _mapped(path, plane) for name, plane in found.items()}, units


def _named(path: Path) -> dict[str, Unit]:
    try:
        with path.open("rb") as stream:
            units = walk(stream)
    except (OSError, ValueError) as error:
        raise unreadable(path, error, "make the run again", str(error)) from None
    return {str(unit.cards["EXTNAME"].value).strip(): unit for unit in units if _is_plane(unit)}


def _is_plane(unit: Unit) -> bool:
    flat = unit.integer("NAXIS") == 2 and min(unit.integer("NAXIS1"), unit.integer("NAXIS2")) > 0
    return (
        flat
        and "EXTNAME" in unit.cards
        and unit.integer("BITPIX") in NUMBER_TYPES
        and "ZIMAGE" not in unit.cards
    )


def _mapped(path: Path, unit: Unit) -> MappedPixels:
    scale, zero = (
        float(unit.cards[n].value or d) if n in unit.cards else d
        for n, d in (("BSCALE", 1.0), ("BZERO", 0.0))
    )
    dtype = np.dtype(NUMBER_TYPES[unit.integer("BITPIX")])
    return MappedPixels(
        path, unit.data_start, dtype, (unit.integer("NAXIS2"), unit.integer("NAXIS1")), scale, zero
    )
