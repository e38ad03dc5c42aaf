"""FITS headers read leniently: one bad card never costs the frame.

A header is 80-byte cards in blocks of 2880 bytes (FITS Standard 4.0 sections 3.1, 3.3, 4.1). What cannot be
understood in a card is kept as text or left out.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import BinaryIO, NamedTuple

__all__ = ["BLOCK", "Card", "Cards", "Unit", "parse", "walk"]

BLOCK = 2880
CARD = 80
MAX_BLOCKS = 4000
"""Headers longer than this (11 MB) are taken as garbage."""

Value = bool | int | float | str | None


class Card(NamedTuple):
    """Value (None where it is undefined) and comment of one card."""

    value: Value
    comment: str


Cards = dict[str, Card]


@dataclass(frozen=True, slots=True)
class Unit:
    """One header-data unit: its cards, and where its data lie (bytes)."""

    index: int
    cards: Cards
    data_start: int
    data_bytes: int

    def integer(self, name: str, default: int = 0) -> int:
        """Integer value of a structural card; ``default`` where it is missing or no number."""
        card = self.cards.get(name)
        if card is None or isinstance(card.value, str) or card.value is None:
            return default
        return int(card.value)


_STRING = re.compile(r"\s*'((?:[^']|'')*)'?\s*(?:/(.*))?", re.DOTALL)
_INTEGER = re.compile(r"[+-]?\d+")


def parse(header: bytes) -> Cards:
    """Cards of a header by keyword; the first of several equal keywords counts.

    >>> parse(b"GAIN    =                  1.5 / e-/ADU".ljust(80))["GAIN"]
    Card(value=1.5, comment='e-/ADU')
    """
    cards: Cards = {}
    last = ""
    for start in range(0, len(header) - CARD + 1, CARD):
        text = header[start : start + CARD].decode("latin-1")
        name, mark, rest = _split(text)
        if name == "END" and not mark:
            break
        if name == "CONTINUE" and last in cards:
            cards[last] = _continued(cards[last], rest)
            continue
        if not mark or not name:
            continue
        last = name
        cards.setdefault(name, _card(rest))
    return cards


def _split(text: str) -> tuple[str, bool, str]:
    """Keyword, whether the card has a value, and the text after the value mark."""
    name = text[:8].strip().upper()
    if name == "HIERARCH":
        name, mark, rest = text[8:].partition("=")
        return " ".join(name.split()).upper(), bool(mark), rest
    if name == "CONTINUE":
        return name, False, text[8:]
    return name, text[8:9] == "=", text[9:]


def _card(text: str) -> Card:
    found = _STRING.fullmatch(text) if text.lstrip().startswith("'") else None
    if found:
        return Card(found[1].replace("''", "'").strip(), (found[2] or "").strip())
    word, _, comment = text.partition("/")
    return Card(_plain(word.strip()), comment.strip())


def _plain(word: str) -> Value:
    """Value of an unquoted card."""
    if word in ("T", "F"):
        return word == "T"
    if not word:
        return None
    if _INTEGER.fullmatch(word) and len(word) <= 20:
        return int(word)
    try:
        number = float(word.upper().replace("D", "E"))
    except ValueError:
        return word
    return number if math.isfinite(number) else None


def _continued(card: Card, text: str) -> Card:
    """A long string continued on the next card (FITS Standard 4.0 section 4.2.1.2)."""
    found = _STRING.fullmatch(text)
    if found is None or not isinstance(card.value, str):
        return card
    value = card.value.removesuffix("&") + found[1].replace("''", "'").rstrip()
    return Card(value, f"{card.comment} {(found[2] or '').strip()}".strip())


def walk(stream: BinaryIO, *, first_image: bool = False) -> list[Unit]:
    """Header-data units of a FITS stream, without reading the data.

    Parameters
    ----------
    stream : seekable binary file
        Positioned anywhere.
    first_image : bool
        Stop after the first unit that holds an image; for streams where skipping data is slow.

    Raises
    ------
    ValueError
        Not FITS, or the first header has no end.
    """
    units: list[Unit] = []
    start = 0
    while True:
        stream.seek(start)
        header = _header(stream, first=not units)
        if header is None:
            return units
        cards = parse(header)
        unit = Unit(len(units), cards, start + len(header), 0)
        unit = Unit(unit.index, cards, unit.data_start, _data_bytes(unit))
        units.append(unit)
        if first_image and (unit.integer("NAXIS") >= 2 or "ZIMAGE" in cards):
            return units
        start = unit.data_start + -(-unit.data_bytes // BLOCK) * BLOCK


def _header(stream: BinaryIO, *, first: bool) -> bytes | None:
    """Bytes of the header at the stream's position; None where there is no further one."""
    block = stream.read(BLOCK)
    if not block.startswith(b"SIMPLE" if first else b"XTENSION"):
        if not first:
            return None
        raise ValueError(
            f"not a FITS file (it begins with {_shown(block)}; FITS begins with SIMPLE); leave it out, or copy it "
            "again from the camera"
        )
    blocks = [block]
    while not any(block[at : at + 8] == b"END     " for at in range(0, len(block), CARD)):
        block = stream.read(BLOCK)
        if len(block) < BLOCK or len(blocks) >= MAX_BLOCKS:
            if not first:
                return None
            raise ValueError("the FITS header has no END; the file is cut short or damaged, copy it again")
        blocks.append(block)
    return b"".join(blocks)


def _shown(block: bytes) -> str:
    return repr(block[:8].decode("latin-1")) if block else "nothing"


def _data_bytes(unit: Unit) -> int:
    """Size of the data of a unit (FITS Standard 4.0 equation 2)."""
    naxis = unit.integer("NAXIS")
    if naxis <= 0:
        return 0
    sizes = [unit.integer(f"NAXIS{axis}") for axis in range(1, min(naxis, 999) + 1)]
    if sizes[0] == 0 and "GROUPS" in unit.cards:
        sizes = sizes[1:]
    per_sample = abs(unit.integer("BITPIX")) // 8
    items = max(unit.integer("GCOUNT", 1), 1) * (max(unit.integer("PCOUNT"), 0) + math.prod(sizes))
    return max(per_sample * items, 0)
