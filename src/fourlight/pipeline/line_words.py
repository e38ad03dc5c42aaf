"""What lines.json says, in sentences for the terminal and the report."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fourlight.pipeline.line_request import Asked, Source
from fourlight.report.words import listed, ranged, sentence
from fourlight.sensor.filters import FILTERS, Filter, known_filter, named_filter
from fourlight.stages.line_kinds import KIND_NAMES

__all__ = ["doubts", "said"]

Facts = Mapping[str, Any]


def doubts(source: Source, other: Source | None, asked: Asked) -> list[str]:
    """What a user must know before all else: filters that are not those of the headers, or none for lines."""
    found = _misnamed(source, asked.filter, "--filter", lines=True)
    if not found and not asked.filter.narrow:
        found.append(
            f"Filter {asked.filter.name} passes {asked.filter.width_nm:.0f} nm, and is none for lines: light of stars, "
            "dust and galaxies counts as lines here; name lights through a narrow filter"
        )
    if other is not None and asked.broadband_filter is not None:
        found += _misnamed(other, asked.broadband_filter, "--broadband-filter", lines=False)
    return [sentence(each) for each in found]


def _misnamed(source: Source, named: Filter, option: str, *, lines: bool) -> list[str]:
    """That lights state another filter than the one that is named, where both are known."""
    stated = known_filter(source.reference.filter_name) if source.reference else None
    if stated is None or stated == named.name or named.name not in FILTERS:
        return []
    wide = lines and not named_filter(stated).narrow
    then = f"that is no filter for lines, and {source.name} tells none" if wide else f"give {option} {stated}"
    said = (
        f"The headers of {source.name} name the filter {stated}, and {named.name} was named, which counts. If the "
        f"headers are right, nothing that follows holds: {then}"
    )
    return [said]


def said(facts: Facts) -> list[str]:
    """Sentences, the most important first."""
    found = [
        _told(facts),
        *_not_told(facts),
        *_leaks(facts),
        _dust(facts),
        *_green(facts),
        _stars(facts),
        facts["beam"],
        _second_filter(facts),
        _rayleighs(facts),
    ]
    if facts.get("filled"):
        found.append(
            "Faint light fills the field: its darkest parts are taken for the sky, so that light of a line which "
            "covers all of it counts as sky"
        )
    return [sentence(one) for one in found if one]


def _told(facts: Facts) -> str:
    names = [kind["name"] for kind in facts["kinds"].values()]
    if len(names) == 1:
        return f"{names[0]} is told"
    noise = listed([f"{kind['name']} {kind['inflation'] ** 0.5:.2f}" for kind in facts["kinds"].values()])
    return f"{listed(names)} are told apart, which makes their noise so many times as large: {noise}"


def _not_told(facts: Facts) -> list[str]:
    out = []
    for one in facts["not_told"]:
        name, kind = KIND_NAMES[one["kind"]], one["kind"]
        counts = facts["counts_as"].get(kind)
        if kind == "continuum":
            rest = (
                "where it has the colour of the sky it goes with the sky, and all other, such as that of stars, counts "
                "as line light; --broadband OUT tells it"
            )
        elif kind == "hbeta" and counts == "halpha":
            rest = "it goes with Hα as recombination has it"
        else:
            rest = f"it counts as {KIND_NAMES[counts]}"
        out.append(f"{sentence(name).rstrip('.')} cannot be told: {one['reason']}; {rest}")
    return out


def _second_filter(facts: Facts) -> str:
    """Which filter of the second stack counts where the user named none."""
    beside = facts["broadband"]
    if not beside or beside["filter_from"] == "--broadband-filter":
        return ""
    if beside["filter_from"] == "assumed":
        return (
            f"Headers of {beside['name']} name no filter that is known: {beside['filter']} is taken for it, and "
            "--broadband-filter names another"
        )
    return f"Filter {beside['filter']} of {beside['name']} is that of its headers"


HARDLY = 0.95
"""Part of signal over noise that is left without green, from which on green is hardly needed."""


def _leaks(facts: Facts) -> list[str]:
    told = [
        f"{100 * leak:.2g} % of {KIND_NAMES[of]} in {KIND_NAMES[to]}"
        for to, row in facts["leak"].items()
        for of, leak in row.items()
        if of != to and "continuum" not in (of, to)
    ]
    if not told:
        return []
    what = "What is not known of camera, filter and nebula leaks, photons for photons, one standard deviation"
    return [f"{what}: {listed(told)}"]


def _dust(facts: Facts) -> str:
    dust = facts["dust"]
    if not dust:
        return ""
    done = [
        f"Hα {_wrong(100 * part, ' %')}"
        if to == "halpha"
        else f"{KIND_NAMES[to]} {_wrong(100 * part, ' photons')} for 100 of Hα"
        for to, part in dust["leak"].items()
    ]
    return (
        "Hβ, which goes with Hα, is counted as without dust. Behind dust of E(B-V) "
        f"{dust['reddening_mag']:g} light is told otherwise: {listed(done)}. The errors hold that as one standard "
        "deviation; --reddening names the dust"
    )


def _wrong(part: float, unit: str) -> str:
    """
    >>> _wrong(-7.74, " %")
    '7.7 % too faint'
    """
    return f"{abs(part):.1f}{unit} too {'faint' if part < 0 else 'bright'}"


def _green(facts: Facts) -> list[str]:
    """What green is good for: its share as if all other light were known, and what is left without it where none is."""
    out = []
    for name, shares in facts["information"].items():
        line, left = KIND_NAMES[name], facts["without_green"][name]
        if name == "continuum":
            continue
        share = ranged(shares["G"], 0, 100, " %")
        if left["value"] <= 0:
            out.append(f"Without green {line} could not be told; it brings {share} of the information on it")
            continue
        kept = f"{ranged(left, 2)} of its signal over noise is left"
        if left["low"] > HARDLY:
            out.append(f"For {line} green is hardly needed: told from red and blue alone, {kept}")
        else:
            out.append(
                f"Green brings {share} of the information on {line}: told from red and blue alone, {kept}"
            )
    return out


def _rayleighs(facts: Facts) -> str:
    if not any(kind["unit"] == "rayleigh" for kind in facts["kinds"].values()):
        return ""
    pixel = facts["arcsec_px"]
    return f"Rayleighs are counted with {pixel['value']:.4g} arcsec a pixel, by the {pixel['from']}"


def _stars(facts: Facts) -> str:
    stars = facts["stars"]
    if stars["used"]:
        return f"{stars['stars']} stars of known colour improved what is known of the camera"
    return f"No star improved what is known of the camera: {stars['reason']}"
