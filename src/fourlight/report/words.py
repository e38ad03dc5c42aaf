"""Numbers and facts as a reader wants them: sensible digits, spelled-out times, right plurals."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping, Sequence
from typing import Any

__all__ = [
    "UNKNOWN",
    "counted",
    "digits",
    "duration",
    "listed",
    "percent",
    "ranged",
    "reached",
    "sentence",
    "typeset",
    "typeset_page",
    "unbroken",
    "with_error",
]

UNKNOWN = "–"


def digits(value: Any, significant: int = 3) -> str:
    """A number with so many significant digits, thousands apart; an en dash where it is not known.

    >>> digits(1234.56), digits(0.012345, 2), digits(None), digits(98765.4)
    ('1,235', '0.012', '–', '98,765')
    """
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return UNKNOWN
    if value == 0:
        return "0"
    decimals = max(0, significant - 1 - math.floor(math.log10(abs(value))))
    return f"{value:,.{min(decimals, 6)}f}"


def percent(value: Any, significant: int = 2) -> str:
    """A share of one in per cent.

    >>> percent(0.5634), percent(0.00012), percent(None)
    ('56 %', '0.012 %', '–')
    """
    if not isinstance(value, int | float) or not math.isfinite(value):
        return UNKNOWN
    return f"{digits(100 * value, significant)} %"


def duration(seconds: Any) -> str:
    """An exposure time in the units people say.

    >>> duration(30), duration(5400), duration(7260), duration(90.5)
    ('30 s', '1 h 30 min', '2 h 1 min', '1.5 min')
    """
    if not isinstance(seconds, int | float) or not math.isfinite(seconds):
        return UNKNOWN
    if seconds < 60:
        return f"{round(float(seconds), 1 if seconds >= 10 else 3):g} s"
    if seconds < 600:
        return f"{round(seconds / 60, 1):g} min"
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours} h {minutes} min" if hours and minutes else f"{hours} h" if hours else f"{minutes} min"


def counted(number: int, noun: str, many: str | None = None) -> str:
    """A number with its noun in the right form.

    >>> counted(1, "frame"), counted(3, "night"), counted(2, "dark for flats", "darks for flats")
    ('1 frame', '3 nights', '2 darks for flats')
    """
    return f"{number:,} {noun if number == 1 else many or noun + 's'}"


def listed(parts: Sequence[str]) -> str:
    """Parts in one phrase.

    >>> listed(["6 darks", "6 flats", "1 bias frame"]), listed(["6 flats"]), listed([])
    ('6 darks, 6 flats and 1 bias frame', '6 flats', '')
    """
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def sentence(text: str, names: Collection[str] = ()) -> str:
    """A remark as a sentence: a capital to begin with and a full stop at its end.

    >>> sentence("the greens lie on [0,1] and [1,0]"), sentence("a_1.fits: flat is dark."), sentence("Is it so?")
    ('The greens lie on [0,1] and [1,0].', 'a_1.fits: flat is dark.', 'Is it so?')
    >>> sentence("dim one.fits: flat is dark", ["dim one.fits"])
    'dim one.fits: flat is dark.'
    """
    text = text.strip()
    if text.split(" ")[0].isalpha() and not text.startswith(tuple(names)):
        text = text[0].upper() + text[1:]
    return text + ("" if not text or text[-1] in ".!?" else ".")


def with_error(value: Any, error: Any) -> str:
    """A value with its error, both to the error's second digit (its first, if that is above 2); 0 is no error.

    >>> with_error(100.476, 0.104), with_error(52.3, 0.45), with_error(1.0, None)
    ('100.48 ± 0.10', '52.3 ± 0.5', '1.00')
    """
    if digits(value) == UNKNOWN or digits(error) in (UNKNOWN, "0"):
        return digits(value)
    place = math.floor(math.log10(error))
    decimals = max(0, -place + (error < 3 * 10.0**place))
    return f"{value:,.{decimals}f} ± {error:,.{decimals}f}"


def ranged(part: Mapping[str, Any], decimals: int, factor: float = 1.0, unit: str = "") -> str:
    """An estimate with its interval: as ± where that lies evenly about it, else with both ends.

    Parameters
    ----------
    part : mapping
        ``value``, ``low``, ``high``; None or NaN where not known.
    decimals : int
        Most that are printed; one less where the interval is wider than 40 units of the last.
    factor : float
        Multiplies all three.
    unit : str
        Follows the numbers.

    >>> ranged({"value": 0.5634, "low": 0.561, "high": 0.566}, 1, 100)
    '56.3 ± 0.2'
    >>> ranged({"value": 2, "low": 1, "high": 4}, 2, 1, " px")
    '2.0 (1.0–4.0) px'
    >>> ranged({"value": 1, "low": 0.5, "high": 1}, 1, 100, " %"), ranged({"value": 2, "low": None, "high": 4}, 0)
    ('100 (50–100) %', '2, no interval')
    >>> ranged({"value": float("nan"), "low": 0, "high": 1}, 1)
    'not known'
    """
    value, low, high = (_scaled(part.get(key), factor) for key in ("value", "low", "high"))
    if value is None:
        return "not known"
    if low is None or high is None:
        return f"{value:.{max(decimals - 1, 0)}f}{unit}, no interval"
    place = max(decimals - (high - low >= 39.99 * 0.1**decimals), 0)
    step, up, down = 0.1**place, high - value, value - low
    if abs(up - down) <= max(0.1 * (up + down), 1.5 * step) and min(up, down) > -1e-9:
        return f"{value:.{place}f} ± {max(0.5 * (up + down), step):.{place}f}{unit}"
    return f"{value:.{place}f} ({low:.{place}f}–{high:.{place}f}){unit}"


def _scaled(number: Any, factor: float) -> float | None:
    return factor * number if isinstance(number, int | float) and math.isfinite(number) else None


def unbroken(text: str) -> str:
    """Per cent signs tied to their numbers, so that no line begins with one.

    >>> unbroken("60.0 % of it")
    '60.0\\xa0% of it'
    """
    return re.sub(r"(?<=\d) %", "\u00a0%", text)


SIGNS = re.compile(
    r" ?(?P<error>\+-) ?"
    r"|(?<=\d) ?(?P<share>%)"
    r"|(?:(?<![\w.])[\d.]+|(?<!\w)[A-Z]|(?<=\])) (?P<times>x) (?=\d)"
    r"|(?P<minus>-?)\b(?P<degrees>\d+(?:\.\d+)?) C\b"
)


def typeset(text: str, names: Collection[str] = ()) -> str:
    """Signs that plain text stands in for: ``+-``, ``x`` between numbers, degrees.

    Parameters
    ----------
    text : str
    names : collection of str
        Names of files and the like, which stay as they are wherever they occur.

    >>> typeset("1489 x 989 px, 0.800 +- 0.002, R x 1.16 (240 s, -10 C)")
    '1489 × 989 px, 0.800 ± 0.002, R × 1.16 (240 s, −10 °C)'
    >>> typeset("2% and 0.16 %") == "2\\N{NO-BREAK SPACE}% and 0.16\\N{NO-BREAK SPACE}%"
    True
    >>> typeset("M31 2 x 2.fits: 2 x 2 cells", ["M31 2 x 2.fits"])
    'M31 2 x 2.fits: 2 × 2 cells'
    """
    kept = "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True) if name)
    pattern = re.compile(rf"(?<!\w)(?P<name>{kept})(?!\w)|{SIGNS.pattern}") if kept else SIGNS
    return pattern.sub(_sign, text)


def typeset_page(page: str) -> str:
    """A page with its text typeset, and its head as it is: in a style sheet ``100%`` must stay together.

    >>> typeset_page("<style>img { width: 100% }</style><p>5% of 2 x 2</p>").replace("\N{NO-BREAK SPACE}", "~")
    '<style>img { width: 100% }</style><p>5~% of 2 × 2</p>'
    """
    head, end, body = page.partition("</style>")
    return head + end + typeset(body) if end else typeset(page)


def _sign(found: re.Match[str]) -> str:
    said = found.groupdict()
    if said.get("name"):
        return said["name"]
    if said["error"]:
        return " ± "
    if said["share"]:
        return "\u00a0%"
    if said["times"]:
        return found[0].replace(" x ", " × ")
    return f"{'−' if said['minus'] else ''}{said['degrees']} °C"


def reached(data: Any, *keys: str) -> Any:
    """The value under nested keys, None where any of them is missing.

    >>> reached({"a": {"b": 1}}, "a", "b"), reached({"a": None}, "a", "b")
    (1, None)
    """
    for key in keys:
        if not isinstance(data, Mapping):
            return None
        data = data.get(key)
    return data
