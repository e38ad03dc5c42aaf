"""Planes as FITS files: units of an image each, written in one pass, with their checksums.

Cards, data and sums follow the FITS Standard 4.0 (sections 3.3.2, 4.2, 4.4.2.7 and appendix J).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, BinaryIO, TypeAlias

import numpy as np
import numpy.typing as npt

from fourlight.io.cards import BLOCK, CARD
from fourlight.io.room import whole

__all__ = ["Plane", "added", "cards_of", "encoded", "sum_of", "write_planes"]

Plane: TypeAlias = tuple[str, npt.ArrayLike, Mapping[str, Any]]

BITPIX = {"|u1": 8, "<i2": 16, "<i4": 32, "<i8": 64, "<f4": -32, "<f8": -64}
UNSIGNED_BASE = {"<u2": ("<i2", 32768), "<u4": ("<i4", 2147483648)}
"""Unsigned numbers are stored as signed ones, less BZERO (section 5.2.5)."""

BAND_BYTES = 1 << 18
"""Of samples that are worked on at a time, so that they stay in the cache of a processor."""

MODULUS = 0xFFFFFFFF
"""Sums in ones' complement are sums modulo this, with it in place of 0 where anything was added."""

FORBIDDEN = frozenset(range(0x3A, 0x41)) | frozenset(range(0x5B, 0x61))
"""Punctuation that no encoded checksum may hold (appendix J)."""

LONGEST = 68
"""Characters of a text in one card."""


def write_planes(path: Path, header: Mapping[str, tuple[Any, str]], planes: Iterable[Plane]) -> None:
    """Write a FITS file with one image extension per plane, with CHECKSUM and DATASUM, in one step.

    The file appears under its name only when it is complete. Only a few rows of a plane are copied at a time, and
    only one plane is in memory when ``planes`` is a generator.

    Parameters
    ----------
    path : Path
        File to write; its folder must exist.
    header : mapping of str to (value, comment)
        Cards of the primary header.
    planes : iterable of (str, (ny, nx) array, mapping)
        Extension name, samples, and the extension's own cards (values, or (value, comment)).

    Raises
    ------
    OutputError
        The folder cannot be written to or is full.
    """
    first = {"SIMPLE": (True, "FITS Standard"), "BITPIX": (8, "no data in this unit"), "NAXIS": (0, "")}
    with whole(path) as part, part.open("w+b") as file:
        _write_unit(file, {**first, "EXTEND": (True, "extensions follow"), **header}, None)
        for name, samples, cards in planes:
            array, base = _stored(np.asarray(samples))
            _write_unit(file, {**_image_cards(array), "EXTNAME": (name, ""), **base, **cards}, array)


def _stored(samples: npt.NDArray[Any]) -> tuple[npt.NDArray[Any], dict[str, Any]]:
    """Samples in a type of FITS, in the order of bytes of this computer, and the cards that this asks for."""
    little = samples.dtype.newbyteorder("<").str
    if little in UNSIGNED_BASE:
        kind, base = UNSIGNED_BASE[little]
        return (samples ^ samples.dtype.type(base)).view(kind), {"BSCALE": (1, ""), "BZERO": (base, "")}
    if little not in BITPIX:
        raise ValueError(f"FITS holds no samples of type {samples.dtype}")
    return samples, {}


def _image_cards(array: npt.NDArray[Any]) -> dict[str, tuple[Any, str]]:
    return {
        "XTENSION": ("IMAGE", "image extension"),
        "BITPIX": (
            BITPIX[array.dtype.newbyteorder("<").str],
            "bits of a sample, negative for floating point",
        ),
        "NAXIS": (array.ndim, ""),
        **{f"NAXIS{k}": (size, "") for k, size in enumerate(reversed(array.shape), start=1)},
        "PCOUNT": (0, ""),
        "GCOUNT": (1, ""),
    }


def _write_unit(file: BinaryIO, cards: Mapping[str, Any], array: npt.NDArray[Any] | None) -> None:
    """Header and data; the header is written once more when the sums are known."""
    start = file.tell()
    file.write(_header(cards, "0" * 16, 0))
    total = 0 if array is None else _write_data(file, array)
    end, header = file.tell(), _header(cards, "0" * 16, total)
    sums = added(total, sum_of(np.frombuffer(header, ">u4")))
    file.seek(start)
    file.write(_header(cards, encoded(sums), total))
    file.seek(end)


def _write_data(file: BinaryIO, array: npt.NDArray[Any]) -> int:
    """Write samples and what fills the last block, and return their sum."""
    total = 0
    rows = max(1, BAND_BYTES // max(4 * array[:1].nbytes, 1)) * 4  # of whole words, whatever the type
    for y in range(0, len(array), rows):
        band = array[y : y + rows].astype(array.dtype.newbyteorder(">")).tobytes()
        file.write(band)
        total = added(total, sum_of(np.frombuffer(band + bytes(-len(band) % 4), ">u4")))
    file.write(bytes(-array.nbytes % BLOCK))
    return total


def sum_of(words: npt.NDArray[np.uint32]) -> int:
    """Sum of words in ones' complement (appendix J)."""
    return added(int(words.sum(dtype=np.uint64)), 0)


def added(a: int, b: int) -> int:
    """Sum in ones' complement (appendix J).

    >>> hex(added(0xFFFFFFFE, 3)), added(0xFFFFFFFF, 0) == 0xFFFFFFFF
    ('0x2', True)
    """
    total = a + b
    while total > MODULUS:
        total = (total & MODULUS) + (total >> 32)
    return total


def encoded(total: int) -> str:
    """The complement of a sum as 16 letters and digits (appendix J).

    >>> encoded(868229149)
    'hcHjjc9ghcEghc9g'
    """
    columns = []
    for shift in (24, 16, 8, 0):
        byte = MODULUS - total >> shift & 0xFF
        quarter = [byte // 4 + 0x30] * 4
        quarter[0] += byte % 4
        while FORBIDDEN & set(quarter):
            for k in (0, 2):
                if FORBIDDEN & {quarter[k], quarter[k + 1]}:
                    quarter[k] += 1
                    quarter[k + 1] -= 1
        columns.append(quarter)
    text = "".join(chr(columns[column][row]) for row in range(4) for column in range(4))
    return text[-1] + text[:-1]


def _header(cards: Mapping[str, Any], checksum: str, datasum: int) -> bytes:
    """All cards of a unit, with what fills the last block."""
    sums = {"CHECKSUM": (checksum, "of this unit"), "DATASUM": (str(datasum), "of this unit")}
    text = "".join(card for name, value in {**cards, **sums}.items() for card in cards_of(name, value))
    text += "END".ljust(CARD)
    return (text + " " * (-len(text) % BLOCK)).encode("ascii")


def cards_of(name: str, value: Any) -> Iterator[str]:
    """A card, or a text that is too long for one and the cards that go on with it (section 4.2.1.2).

    >>> [card.rstrip() for card in cards_of("GAIN", (0.8, "e/ADU"))]
    ['GAIN    =                  0.8 / e/ADU']
    >>> [card.rstrip() for card in cards_of("OBJECT", "the sky's edge")]
    ["OBJECT  = 'the sky''s edge'"]
    """
    value, comment = value if isinstance(value, tuple) else (value, "")
    pieces = [_text(value)]
    if isinstance(value, str):
        quoted = value.replace("'", "''")
        pieces = [f"'{quoted:8}'"] if len(quoted) <= LONGEST else list(_pieces(quoted))
    starts = [f"{name:8}= ", *["CONTINUE  "] * (len(pieces) - 1)]
    for k, (start, piece) in enumerate(zip(starts, pieces, strict=True)):
        remark = f" / {comment}" if comment and k == len(pieces) - 1 else ""
        yield (start + piece.ljust(20 if remark else 0) + remark)[:CARD].ljust(CARD)


def _pieces(quoted: str) -> Iterator[str]:
    """A long text in pieces, each but the last with the mark that it goes on; no pair of quotes is parted."""
    while len(quoted) > LONGEST:
        cut = LONGEST - 1
        cut -= (len(quoted[:cut]) - len(quoted[:cut].rstrip("'"))) % 2
        yield f"'{quoted[:cut]}&'"
        quoted = quoted[cut:]
    yield f"'{quoted}'"


def _text(value: Any) -> str:
    """A logical value or a number in fixed format."""
    if isinstance(value, bool | np.bool_):
        return f"{'T' if value else 'F':>20}"
    if isinstance(value, float | np.floating):
        if not np.isfinite(value):
            raise ValueError("no card holds a number that is not finite")
        return f"{repr(float(value)).upper():>20}"
    return f"{value!s:>20}"
