"""Settings written in TOML: the base of every section, and what is wrong with a file in plain words."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails

from fourlight.errors import RecipeError
from fourlight.toml_text import parsed

__all__ = ["Section", "from_toml", "limits", "nearest", "validated"]

MOST_NEAR = 3
"""Settings of the same name in other sections that are named."""
COMPARED = 100
"""Names that are none and are compared with all settings: each takes a while."""
LONGEST = 100
"""Letters of them."""
SAID = 4
"""Faults told in one message."""

BOUNDS = {"gt": "more than", "ge": "at least", "lt": "less than", "le": "at most"}
KINDS = (
    ("missing", "must be given"),
    ("int", "must be a whole number"),
    ("float", "must be a number"),
    ("finite", "must be a finite number"),
    ("bool", "must be true or false"),
    ("string", "must be text"),
    ("model", "must be a section, such as [name]"),
    ("tuple", "must be a list"),
    ("list", "must be a list"),
)
"""Beginnings of the kinds of faults, and what would have been accepted."""


class Section(BaseModel):
    """Base of every section: unknown keys are refused, values cannot be changed after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True, allow_inf_nan=False)


Model = TypeVar("Model", bound=Section)


def from_toml(model: type[Model], text: str, known: Sequence[str], source: str) -> Model:
    """Settings from TOML text.

    Parameters
    ----------
    model : type of Section
        What the text must fit.
    text : str
        TOML.
    known : sequence of str
        Dotted names of all settings and sections, for hints.
    source : str
        Name of the file, for messages.

    Raises
    ------
    RecipeError
        Not TOML, an unknown key (the nearest known key is named) or values that cannot be used.
    """
    return validated(model, parsed(text, source), known, source)


def validated(model: type[Model], data: dict[str, Any], known: Sequence[str], source: str) -> Model:
    """Settings from a mapping; see `from_toml`."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        faults = error.errors()
        # a section with a fault inside also fails as a whole
        outer = {f["loc"][:k] for f in faults for k in range(len(f["loc"]))}
        faults = [f for f in faults if f["loc"] not in outer]
        # a wrong name is why another is missing
        faults.sort(key=lambda fault: fault["type"] == "missing")
        strange = [fault for fault in faults if fault["type"] == "extra_forbidden"]
        meant = {name for fault in strange[:COMPARED] for name in _meant(fault, known)}
        faults = [f for f in faults if f["type"] != "missing" or _name(f["loc"][-1:]) not in meant]
        told = [_fault(fault, known, model) for fault in faults[:SAID]]
        more = len(faults) - len(told)
        also = [f"{name} = {value!r}: {words}" if value is not None else f"{name}: {words}"
                for name, value, words in told[1:]]  # fmt: skip
        also += [f"{more} more"] if more > 0 else []
        name, value, words = told[0]
        raise RecipeError(name, value, "; and ".join([words, *also]), source) from None


def _fault(fault: ErrorDetails, known: Sequence[str], model: type[Section]) -> tuple[str, Any, str]:
    """Name of a setting, what was given (None where that is a whole section), and what is wrong with it."""
    name = _name(fault["loc"])
    given = fault["input"]
    value = None if isinstance(given, (dict, list)) or fault["type"] == "missing" else given
    if fault["type"] != "extra_forbidden":
        words = _words(fault, limits(_field(model, fault["loc"])))
        return (name, None, f"no value is given; {words}") if given == "" else (name, value, words)
    near = _meant(fault, known)
    return name, value, f"no such setting; did you mean {' or '.join(near)}?" if near else "no such setting"


def _meant(fault: ErrorDetails, known: Sequence[str]) -> list[str]:
    """Settings that a name which is none may stand for; within one of a list, such as a claim, without its section."""
    plain = ".".join(str(part) for part in fault["loc"] if isinstance(part, str))
    key = plain.rpartition(".")[2]
    near = [one for one in known if one.rpartition(".")[2] == key]
    near = near[:MOST_NEAR] or difflib.get_close_matches(plain[:LONGEST], known, n=1, cutoff=0.3)
    listed = any(isinstance(part, int) for part in fault["loc"])
    return [one.rpartition(".")[2] for one in near] if listed else near


def _field(model: type[Section], place: Sequence[int | str]) -> Any:
    """The field of a model at the place of a fault; None where there is none."""
    field = None
    inside: type[Section] | None = model
    for part in place:
        if isinstance(part, str):
            field = inside.model_fields.get(part) if inside else None
            kinds = (field.annotation, *get_args(field.annotation)) if field else ()
            inside = next((k for k in kinds if isinstance(k, type) and issubclass(k, Section)), None)
    return field


def limits(field: Any) -> str:
    """Bounds of a field in words; empty where it has none.

    Parameters
    ----------
    field : pydantic FieldInfo or None

    Examples
    --------
    >>> from pydantic import Field
    >>> [limits(field) for field in (Field(gt=0, le=2), Field(ge=0, le=4), Field(ge=10))]
    ['more than 0 and at most 2', '0 to 4', 'at least 10']
    """
    found = {
        sign: f"{getattr(mark, sign):g}"
        for mark in getattr(field, "metadata", ())
        for sign in BOUNDS
        if hasattr(mark, sign)
    }
    if found.keys() == {"ge", "le"}:
        return f"{found['ge']} to {found['le']}"
    return " and ".join(f"{words} {found[sign]}" for sign, words in BOUNDS.items() if sign in found)


def _name(parts: Sequence[int | str]) -> str:
    """What a setting is called; entries of a list are counted from one.

    >>> _name(("read", "mosaic")), _name(("nights", 0, "count")), _name(("nights", 0, "trailed", 2))
    ('read.mosaic', 'count of night 1', 'trailed 3 of night 1')
    >>> _name(("claims", 0, "of"))
    "'of' of claim 1"
    """
    if len(parts) >= 2 and isinstance(parts[1], int):
        entry = f"{str(parts[0]).removesuffix('s')} {parts[1] + 1}"
        inner = _name(parts[2:])
        return f"{repr(inner) if inner == 'of' else inner} of {entry}" if inner else entry
    return ".".join(str(part) for part in parts)


def _words(fault: ErrorDetails, bounds: str) -> str:
    """What would have been accepted."""
    kind, context = fault["type"], fault.get("ctx", {})
    if kind.startswith(
        ("greater_than", "less_than")
    ):  # bounds of a member of a list stand in the fault alone
        single = [f"{words} {context[sign]:g}" for sign, words in BOUNDS.items() if sign in context]
        return f"must be {bounds or single[0]}"
    if kind == "literal_error":
        return f"must be {str(context['expected']).replace(chr(39), '')}{_guess(fault)}"
    if kind in ("too_short", "too_long"):
        least = "at least" if kind == "too_short" else "at most"
        return f"must hold {least} {context['min_length' if kind == 'too_short' else 'max_length']}"
    for start, words in KINDS:
        if kind.startswith(start):
            return f"{words}, {bounds}" if bounds and "number" in words else words
    return str(fault["msg"]).removeprefix("Value error, ")


def _guess(fault: ErrorDetails) -> str:
    """The one word of those there are that a word is near to; empty where none is, or more than one."""
    given, known = fault["input"], re.findall(r"'([^']*)'", str(fault["ctx"]["expected"]))
    if not isinstance(given, str):
        return ""
    word = given.strip().casefold()[:LONGEST]
    near = difflib.get_close_matches(word, [one.casefold() for one in known], n=2, cutoff=0.6)
    same = [one for one in known if one.casefold() in (near if len(near) == 1 else [word])]
    return f"; did you mean {same[0]}?" if same else ""


def nearest(given: str, known: Iterable[str], what: str) -> str:
    """That there is no such thing, and the nearest one or all there are.

    >>> nearest("informtion", ["noise", "information"], "such quantity")
    'no such quantity; did you mean information?'
    """
    names = list(known)
    near = difflib.get_close_matches(given, names, n=1, cutoff=0.5)
    return f"no {what}; did you mean {near[0]}?" if near else f"no {what}; known are {', '.join(names)}"
