"""The mosaic pattern: what header and pixels say of it, how sure that is, and how to overrule it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fourlight.core.phase import CLEAR_SIGMA
from fourlight.report.words import UNKNOWN, digits, reached, sentence

__all__ = ["hint", "mosaic"]

Facts = Mapping[str, Any]

UNTESTED = (
    "Nothing: they are not known, as the place of the stack on the sky is not; fourlight solve looks for it."
)
SWAPPED = {"RGGB": "BGGR", "BGGR": "RGGB", "GRBG": "GBRG", "GBRG": "GRBG"}
"""Each pattern with red and blue in each other's place."""


def mosaic(summary: Facts) -> dict[str, Any]:
    """Rows of evidence (name, sentence), the warning and its title, and the hint how to overrule."""
    found = summary.get("mosaic") or {}
    pattern, stated = (str(found.get(key) or "") for key in ("pattern", "stated"))
    if not pattern:
        return {"mosaic": [], "contradiction": "", "disagree": "", "overrule": ""}
    by = f" ({found['stated_by']})" if found.get("stated_by") else ""
    evidence = found.get("evidence")
    rows = [
        ("In use", f"{pattern}, {_origin(found, settled=_settled(summary))}."),
        ("The header says", f"{stated}{by}." if stated else "Nothing."),
        ("The pixels say", sentence(evidence) if isinstance(evidence, str) else UNKNOWN),
        ("How sure this is", _sureness(found, pattern, settled=_settled(summary))),
    ]
    said = reached(summary, "colour", "mosaic", "sentence")
    rows.insert(3, ("Catalogue stars say", sentence(str(said)) if said else UNTESTED))
    who = "recipe" if found.get("source") == "recipe" else "header"
    return {
        "mosaic": rows,
        "contradiction": _told_against(found, said if _settled(summary) else None),
        "disagree": f"The {who} and the pixels disagree about the mosaic.",
        "overrule": [] if _settled(summary) else _overrule(found, pattern, stated),
    }


def _told_against(found: Facts, settled: Any) -> str:
    """What speaks against the header or the recipe; where catalogue stars settle it, nothing is assumed of red."""
    contradiction = found.get("contradiction")
    if not contradiction or settled is None or found.get("source") == "recipe":
        return sentence(str(contradiction)) if contradiction else ""
    by = found.get("stated_by") or "the header"
    against = f"{by} says {found.get('stated')}; {found.get('evidence')}"
    return f"{sentence(against)} {sentence(str(settled))}"


def hint(summary: Facts) -> str:
    """How to overrule a pattern that is assumed or contradicted, in one line for the terminal; else empty."""
    assumed = reached(summary, "mosaic", "source") == "assumed"
    if _settled(summary) or not (assumed or reached(summary, "mosaic", "contradiction")):
        return ""
    found = mosaic(summary)
    choices = ", or with ".join(f"--set {setting}, which {effect}" for setting, effect in found["overrule"])
    first = f"{summary['mosaic']['pattern']} is {_origin(summary['mosaic'])}; " if assumed else ""
    return f"{first}if the colours look wrong, run again with {choices}" if choices else ""


def _origin(found: Facts, *, settled: bool = False) -> str:
    source = str(found.get("source") or "")
    known = {
        "recipe": "set in the recipe",
        "pixels": "which the pixels show, against the header",
        "assumed": "which catalogue stars show to be right; no header states a pattern"
        if settled
        else "assumed, for no header states a pattern",
    }
    return known.get(source, f"from the header ({source})" if source else "of unknown origin")


def _settled(summary: Facts) -> bool:
    """Whether catalogue stars show the pattern that is used."""
    shown = reached(summary, "colour", "mosaic", "shown")
    return bool(shown) and shown == reached(summary, "mosaic", "pattern")


def _sureness(found: Facts, pattern: str, *, settled: bool = False) -> str:
    """The greens are seen in the pixels; which of the other two is red can only be told or assumed."""
    sigma, source = found.get("sigma"), found.get("source")
    told = {
        "recipe": "rests on the recipe alone",
        "pixels": "is assumed",
        "assumed": "is a guess",
    }.get(str(source), "rests on the header alone")
    if settled:
        told = "follows from the colours of catalogue stars"
    if not isinstance(sigma, int | float):
        return "The pixels do not tell the greens, so all of the pattern " + told + "."
    opposed = found.get("contradiction") and source == "recipe"
    greens = (
        f"The pixels speak against the greens of {pattern} at"
        if opposed
        else "The places of the greens are sure to"
    )
    return f"{greens} {digits(sigma, 2)} sigma ({CLEAR_SIGMA:g} are enough); which of the other two is red {told}."


def _overrule(found: Facts, pattern: str, stated: str) -> list[tuple[str, str]]:
    """Settings that change the pattern, each with what it does; none where the recipe gave it."""
    if found.get("source") == "recipe":
        return [("read.mosaic=auto", "leaves it to header and pixels")] if found.get("contradiction") else []
    swapped = (f"read.mosaic={SWAPPED.get(pattern, pattern)}", "puts red and blue in each other's place")
    follow = (f"read.mosaic={stated}", "follows the header")
    return [follow, swapped] if found.get("contradiction") and stated else [swapped]
