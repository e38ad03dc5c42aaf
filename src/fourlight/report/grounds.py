"""What a result rests on, and how to make it again."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fourlight.report import words
from fourlight.report.words import counted, digits, reached

__all__ = ["grounds", "origin", "sentences"]

Facts = Mapping[str, Any]


def grounds(summary: Facts) -> list[tuple[str, str, str]]:
    """Quantities everything rests on: name, value, source."""
    noise = summary.get("noise") or {}
    mosaic = summary.get("mosaic") or {}
    source = str(mosaic.get("source") or words.UNKNOWN)
    stated = mosaic.get("stated")
    if stated and stated != mosaic.get("pattern"):
        source += f" (the header says {stated})"
    rows = [
        ("Mosaic pattern", str(mosaic.get("pattern") or words.UNKNOWN), source),
        (
            "Gain",
            _with_unit(noise.get("gain_e_per_adu"), "e⁻ per ADU"),
            str(noise.get("gain_source") or words.UNKNOWN),
        ),
        (
            "Read noise",
            _with_unit(noise.get("read_noise_e"), "e⁻"),
            str(noise.get("read_noise_source") or words.UNKNOWN),
        ),
        (
            "Level of no light",
            _with_unit(noise.get("pedestal_adu"), "ADU"),
            str(noise.get("pedestal_source") or words.UNKNOWN),
        ),
    ]
    method = reached(summary, "integration", "method")
    if method:
        pixfrac = reached(summary, "integration", "pixfrac")
        rows.append(
            (
                "Integration",
                f"{method}{'' if pixfrac is None else f', drop side {digits(pixfrac)} px'}",
                "recipe, or chosen from the coverage",
            )
        )
    return rows


def sentences(summary: Facts) -> list[str]:
    """What the stages said about themselves, in the order of the work, each sentence once."""
    said = [
        *(reached(summary, "calibration", "notes") or ()),
        *(summary.get("assumptions") or ()),
        *(reached(summary, "picture", "notes") or ()),
    ]
    return list(dict.fromkeys(str(sentence) for sentence in said))


def _with_unit(value: Any, unit: str) -> str:
    text = digits(value)
    return "not known" if text == words.UNKNOWN else f"{text} {unit}"


def origin(provenance: Facts, out: Path | None) -> dict[str, Any]:
    """Command, versions, inputs and settings for the last section of the page."""
    libraries = provenance.get("libraries") or {}
    versions = [f"Fourlight {provenance['fourlight']}"] if provenance.get("fourlight") else []
    versions += [f"Python {provenance['python']}"] if provenance.get("python") else []
    versions += [f"{name} {version}" for name, version in libraries.items()]
    folder = out.name if out is not None and out.name else "OUT"
    recipe = provenance.get("recipe") or {}
    inputs = provenance.get("inputs") or {}
    again = f"fourlight run --again {folder}/provenance.json"
    if inputs:
        again += f"    # {counted(len(inputs), 'input file')}"
    return {
        "command": again,
        "versions": ", ".join(versions),
        "inputs": [(Path(str(name)).name, digest) for name, digest in inputs.items()],
        "recipe": _settings(recipe),
    }


def _settings(recipe: Facts) -> str:
    lines = []
    for section, values in recipe.items():
        if isinstance(values, Mapping):
            lines.append(f"[{section}]")
            lines += [f"{key} = {'(automatic)' if value is None else value}" for key, value in values.items()]
            lines.append("")
    return "\n".join(lines).strip()
