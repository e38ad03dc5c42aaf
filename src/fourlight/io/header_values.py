"""Single values out of FITS cards: numbers with their units, angles, words."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from fourlight.io.cards import Card, Cards

__all__ = ["Number", "angle", "first_number", "first_text", "number", "sexagesimal"]

_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eEdD][+-]?\d+)?)\s*(.*)")
_FRACTION = re.compile(r"\s*(\d+)\s*/\s*(\d+)\s*(.*)")
_ANGLE = re.compile(
    r"\s*([NSEWnsew+-]?)\s*(\d{1,3})\s*[:hd°\s]\s*(\d{1,2}(?:\.\d+)?)\s*"
    r"(?:[:m'′\s]\s*(\d{1,2}(?:\.\d*)?)?)?\s*[s\"″]?\s*([NSEWnsew]?)\s*"
)
_HEMISPHERE = r"(?i:north|south|east|west|[nsew])"
_DECIMAL = re.compile(
    rf"\s*({_HEMISPHERE}?)\s*([+-]?)(\d{{1,3}}(?:\.\d*)?)\s*(?:°|d|deg(?:rees?)?)?\s*({_HEMISPHERE}?)\s*"
)
_YEAR = re.compile(r"\b[BJ]\d{4}(?:\.\d*)?\b")
"""Of the equinox, which may stand behind a place."""

Number = tuple[float, str, str]
"""Value, everything that may state its unit (lower case), and the keyword."""


def number(card: Card) -> tuple[float, str] | None:
    """Finite number of a card and the text that may state its unit, lower case.

    >>> number(Card("11 C", "from the camera"))
    (11.0, 'c from the camera')
    """
    value = card.value
    if isinstance(value, bool) or value is None:
        return None
    if isinstance(value, int | float):
        return (float(value), card.comment.lower()) if math.isfinite(value) else None
    fraction = _FRACTION.fullmatch(value)
    if fraction and int(fraction[2]):
        return int(fraction[1]) / int(fraction[2]), f"{fraction[3]} {card.comment}".lower()
    found = _NUMBER.fullmatch(value)
    if found is None:
        return None
    result = float(found[1].replace("D", "E").replace("d", "e"))
    return (result, f"{found[2]} {card.comment}".lower()) if math.isfinite(result) else None


def first_number(
    cards: Cards, names: Iterable[str], low: float = -math.inf, high: float = math.inf
) -> Number | None:
    """The first of the named cards that holds a number within bounds."""
    for name in names:
        found = number(cards[name]) if name in cards else None
        if found is not None and low <= found[0] <= high:
            return found[0], found[1], name
    return None


def first_text(cards: Cards, names: Iterable[str]) -> tuple[str, str] | None:
    """Text, one space between words, and keyword of the first named card that says something."""
    for name in names:
        value = cards[name].value if name in cards else None
        text = "" if value is None or isinstance(value, bool) else " ".join(str(value).split())
        if text.lower() not in ("", "none", "n/a", "na", "null", "unknown", "-"):
            return text, name
    return None


def sexagesimal(text: str) -> float | None:
    """Value of ``dd mm ss`` or ``dd mm.m`` with blanks, colons or letters between; S and W make it negative.

    >>> sexagesimal("-00 30 36.0"), sexagesimal("155d30m00s W"), sexagesimal("5:35"), sexagesimal("10 30.6 S")
    (-0.51, -155.5, 5.583333333333333, -10.51)
    """
    found = _ANGLE.fullmatch(text)
    if found is None or float(found[3]) >= 60 or float(found[4] or 0) >= 60:
        return None
    if "." in found[3] and found[4]:
        return None
    size = int(found[2]) + float(found[3]) / 60 + float(found[4] or 0) / 3600
    return -size if (found[1] or "+") in "-SWsw" or (found[5] or "+") in "SWsw" else size


def angle(card: Card) -> tuple[float, bool, str] | None:
    """Value of a decimal or sexagesimal card, whether it was sexagesimal, and its unit text (lower case).

    S and W make it negative. None where more digits follow than are understood: the angle would lack its minutes.

    >>> angle(Card("155.5 W", "")), angle(Card("35.5 degS", "")), angle(Card("155 30 30 30", ""))
    ((-155.5, False, ''), (-35.5, False, ''), None)
    """
    if isinstance(card.value, str):
        text = " ".join(card.value.split())
        value = sexagesimal(text)
        if value is not None:
            letter = "h" if re.search(r"\dh", text) else "d" if re.search(r"\d[d°]", text) else ""
            return value, True, f"{letter} {card.comment}".lower()
        found = _DECIMAL.fullmatch(text)
        if found and (found[1] or found[4]):
            negative = found[2] == "-" or any(side and side[0] in "SWsw" for side in (found[1], found[4]))
            return -float(found[3]) if negative else float(found[3]), False, card.comment.lower()
        plainly = _NUMBER.fullmatch(text)
        if plainly and re.search(r"\d", _YEAR.sub("", plainly[2])):
            return None
    plain = number(card)
    return (plain[0], False, plain[1]) if plain else None
