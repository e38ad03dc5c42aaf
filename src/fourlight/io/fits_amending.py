"""Further cards in the headers of a FITS file, in a copy whose samples are the same to the last bit."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from fourlight.io.cards import BLOCK, CARD, Unit, walk
from fourlight.io.fits_writing import added, cards_of, encoded, sum_of
from fourlight.io.room import whole

__all__ = ["COORDINATES", "amend"]

COORDINATES = re.compile(
    r"WCSAXES|CTYPE[12]|CUNIT[12]|CRVAL[12]|CRPIX[12]|CDELT[12]|CROTA[12]|CD[12]_[12]|PC[12]_[12]|RADESYS|EQUINOX"
    r"|LONPOLE|LATPOLE|(A|B|AP|BP)_(ORDER|DMAX|\d_\d)"
)
"""Cards of sky coordinates, the same for every image of one grid."""
SKY = re.compile(rf"{COORDINATES.pattern}|MAGZERO|MAGZERR|WHITE_BV|WHITE_[RGB]")
"""Cards of sky coordinates and of star colours, which are taken out before others are put in."""
COPIED = 1 << 22


def amend(
    source: Path, target: Path, cards: Mapping[str, Any], named: Mapping[str, Mapping[str, Any]] | None = None
) -> None:
    """Write a copy of a FITS file whose images have other cards of the sky, none where ``cards`` is empty.

    Cards of the sky and of star colours that an earlier solution left go from every unit, the first one, too.
    Samples are copied as they are, and DATASUM with them; CHECKSUM is that of the new header (FITS Standard 4.0,
    appendix J).

    Parameters
    ----------
    source, target : Path
        ``target`` appears under its name only when it is complete.
    cards : mapping of str to (value, comment)
        For every unit with two axes.
    named : mapping of str to such a mapping
        Further cards for units of these names; that of the first unit is empty.

    Raises
    ------
    OutputError
        The target cannot be written.
    ValueError
        The source is no FITS file.
    """
    with source.open("rb") as old, whole(target) as part, part.open("w+b") as new:
        units, end, more = walk(old), 0, named or {}
        for unit in units:
            old.seek(end)
            header = old.read(unit.data_start - end)
            own = dict(cards) if unit.integer("NAXIS") == 2 else {}
            own |= more.get(str(unit.cards["EXTNAME"].value) if "EXTNAME" in unit.cards else "", {})
            new.write(_amended(header, own, unit))
            size = -(-unit.data_bytes // BLOCK) * BLOCK
            _copy(old, new, size)
            end = unit.data_start + size


def _copy(old: BinaryIO, new: BinaryIO, size: int) -> None:
    while size > 0:
        block = old.read(min(size, COPIED))
        if not block:
            raise ValueError("the file ends before its samples do; copy it again")
        new.write(block)
        size -= len(block)


def _amended(header: bytes, cards: Mapping[str, Any], unit: Unit) -> bytes:
    """A header with other cards of the sky, before its sums where it has them."""
    lines = [header[at : at + CARD].decode("ascii") for at in range(0, len(header), CARD)]
    lines = lines[: next(k for k, line in enumerate(lines) if line[:8] == "END     ")]
    sums = [line for line in lines if line[:8] in ("CHECKSUM", "DATASUM ")]
    kept = [line for line in lines if line not in sums and not SKY.fullmatch(line[:8].strip())]
    kept += [line for name, value in cards.items() for line in cards_of(name, value)]
    if "CHECKSUM" not in unit.cards or "DATASUM" not in unit.cards:
        return _joined(kept + sums)
    total = int(str(unit.cards["DATASUM"].value))

    def closed(checksum: str) -> bytes:
        last = [
            *cards_of("CHECKSUM", (checksum, "of this unit")),
            *cards_of("DATASUM", (str(total), "of this unit")),
        ]
        return _joined(kept + last)

    return closed(encoded(added(total, sum_of(np.frombuffer(closed("0" * 16), ">u4")))))


def _joined(lines: list[str]) -> bytes:
    text = "".join(lines) + "END".ljust(CARD)
    return (text + " " * (-len(text) % BLOCK)).encode("ascii")
