"""What the columns of a table of curves hold, by their names."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from fourlight.errors import InputError

__all__ = [
    "camera_columns",
    "colours_named",
    "filter_columns",
    "mono_columns",
    "says_percent",
    "says_relative",
    "unit_named",
]

WAVELENGTH = {"wavelength", "wavelengths", "wave", "wl", "lambda", "lam", "λ"}
UNITS_NM = {
    **dict.fromkeys(("nm", "nanometer", "nanometers", "nanometre", "nanometres"), 1.0),
    **dict.fromkeys(("angstrom", "angstroms", "ångström", "ang", "aa", "å", "a"), 0.1),
    **dict.fromkeys(("um", "µm", "μm", "micron", "microns", "micrometer", "micrometers", "micrometre", "micrometres"),
                    1000.0),
}  # fmt: skip
"""Names of units of wavelength, and their length in nm."""
CHANNELS = {
    **dict.fromkeys(("r", "red"), "R"),
    **dict.fromkeys(("g", "green"), "G"),
    **dict.fromkeys(("g1", "green1", "gr"), "G1"),
    **dict.fromkeys(("g2", "green2", "gb"), "G2"),
    **dict.fromkeys(("b", "blue"), "B"),
}
TRANSMISSION = {"t", "transmission", "transmittance", "transmissivity", "trans", "throughput"}
EFFICIENCY = {"qe", "efficiency", "mono", "monochrome"}
PERCENT = {"%", "percent", "pct"}
RELATIVE = {"relative", "rel", "normalized", "normalised", "norm"}


def camera_columns(names: Sequence[str], source: str) -> dict[str, int]:
    """Columns of the wavelength (named ``wave``) and of the channels R, G or G1 and G2, B.

    Raises
    ------
    InputError
        One is missing, or two could be the same.

    Examples
    --------
    >>> camera_columns(["Wavelength (nm)", "red_qe", "green_qe", "blue_qe"], "x.csv")
    {'wave': 0, 'R': 1, 'G': 2, 'B': 3}
    """
    found = _found(names, source)
    greens = [name for name in ("G", "G1", "G2") if name in found]
    if len(greens) > 1 and "G" in greens:
        both = " and ".join(repr(names[found[name]]) for name in greens)
        raise InputError(f"{source}: columns {both} could each be green; leave one, or two named g1 and g2")
    wanted = ["wave", "R", *(("G1", "G2") if "G1" in greens or "G2" in greens else ("G",)), "B"]
    hint = ""
    if "T" in found and not greens:
        hint = "; it looks like the curve of a filter: fourlight filter show"
    elif "E" in found and not colours_named(names, source):
        hint = "; it looks like the curve of a camera without colours: setups of fourlight compare take it"
    _all_there(names, found, wanted, source, "wavelength_nm, red, green, blue", hint)
    return {name: found[name] for name in wanted}


def filter_columns(names: Sequence[str], source: str) -> dict[str, int]:
    """Columns of the wavelength (named ``wave``) and of the transmission (``T``).

    >>> filter_columns(["nm", "T [%]"], "x.csv")
    {'wave': 0, 'T': 1}
    """
    found = _found(names, source)
    hint = "; it looks like the curves of a camera: fourlight camera show" if {"R", "B"} <= set(found) else ""
    _all_there(names, found, ["wave", "T"], source, "wavelength_nm, transmission", hint)
    return {name: found[name] for name in ("wave", "T")}


def mono_columns(names: Sequence[str], source: str) -> dict[str, int]:
    """Columns of the wavelength (named ``wave``) and of the efficiency of a sensor without dyes (``E``).

    >>> mono_columns(["nm", "QE (%)"], "x.csv")
    {'wave': 0, 'E': 1}
    """
    found = _found(names, source)
    _all_there(names, found, ["wave", "E"], source, "wavelength_nm, qe", "")
    return {name: found[name] for name in ("wave", "E")}


def colours_named(names: Sequence[str], source: str) -> bool:
    """Whether columns are named by colours, and not by an efficiency alone."""
    return bool({"R", "G", "G1", "G2", "B"} & set(_found(names, source)))


def _all_there(
    names: Sequence[str], found: Mapping[str, int], wanted: Sequence[str], source: str, needed: str, hint: str
) -> None:
    missing = [name for name in wanted if name not in found]
    if missing:
        called = {"wave": "the wavelength", "T": "the transmission", "E": "the efficiency", "R": "red", "G": "green",
                  "B": "blue"}  # fmt: skip
        said = " and ".join(called.get(name, name) for name in missing)
        here = ", ".join(names)
        raise InputError(
            f"{source}: columns are {here[:80]}; none is {said}; name them such as {needed}{hint}"
        )


def _found(names: Sequence[str], source: str) -> dict[str, int]:
    """What is recognised, each once."""
    found: dict[str, int] = {}
    for k, name in enumerate(names):
        meaning = _meaning(name)
        if meaning is None:
            continue
        if meaning in found:
            called = {
                "wave": "the wavelength",
                "T": "the transmission",
                "R": "red",
                "G": "green",
                "B": "blue",
            }
            raise InputError(
                f"{source}: columns {names[found[meaning]]!r} and {name!r} could each be "
                f"{called.get(meaning, meaning)}; leave one of them"
            )
        found[meaning] = k
    return found


def _words(name: str) -> list[str]:
    return [word for word in re.split(r"[\s_\-()\[\]{}/.,:;]+", name.casefold().replace("%", " % ")) if word]


def _meaning(name: str) -> str | None:
    words = _words(name)
    if any(word in WAVELENGTH for word in words) or (
        words and all(w in UNITS_NM for w in words) and words != ["a"]
    ):
        return "wave"
    for k, word in enumerate(words):
        channel = CHANNELS.get(word)
        if channel == "G" and words[k + 1 : k + 2] in (["1"], ["2"]):
            return f"G{words[k + 1]}"
        if channel:
            return channel
    if any(word in TRANSMISSION for word in words):
        return "T"
    return "E" if any(word in EFFICIENCY for word in words) else None


def unit_named(name: str) -> float | None:
    """Nanometres in the unit that the name of a column of wavelengths states; None where it states none.

    >>> unit_named("Wavelength [Angstrom]"), unit_named("lambda")
    (0.1, None)
    """
    return next((UNITS_NM[word] for word in _words(name) if word in UNITS_NM), None)


def says_percent(names: Sequence[str]) -> bool:
    """Whether names of columns state per cent."""
    return any(PERCENT & set(_words(name)) for name in names)


def says_relative(names: Sequence[str]) -> bool:
    """Whether names of columns state that values are relative."""
    return any(RELATIVE & set(_words(name)) for name in names)
