"""What a result rests on."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import PurePath
from typing import Any

from fourlight.report import words
from fourlight.report.words import reached, sentence, typeset, with_error

__all__ = ["given_names", "grounds", "sentences"]

Facts = Mapping[str, Any]


def grounds(summary: Facts) -> list[tuple[str, str, str]]:
    """Quantities everything rests on: name, value, source."""
    noise = summary.get("noise") or {}
    rows = [
        (
            "Gain",
            _with_unit(noise.get("gain_e_per_adu"), "e⁻ per ADU", noise.get("gain_error")),
            str(noise.get("gain_source") or words.UNKNOWN),
        ),
        (
            "Read noise",
            _with_unit(noise.get("read_noise_e"), "e⁻", noise.get("read_noise_error")),
            str(noise.get("read_noise_source") or words.UNKNOWN),
        ),
        (
            "Level of no light",
            _with_unit(noise.get("pedestal_adu"), "ADU"),
            str(noise.get("pedestal_source") or words.UNKNOWN),
        ),
    ]
    return [*rows, *_integration(summary)]


def _integration(summary: Facts) -> list[tuple[str, str, str]]:
    """Method of the integration, and the size of drops with who chose it and why."""
    method = reached(summary, "integration", "method")
    pixfrac = reached(summary, "integration", "pixfrac")
    rows = []
    if method:
        why = reached(summary, "integration", "method_reason")
        chosen = (
            typeset(f"Chosen by the coverage. {sentence(str(why))}") if why else "recipe (integrate.method)"
        )
        rows.append(("Integration", str(method).replace("-", " "), chosen))
    if isinstance(pixfrac, int | float):
        source = reached(summary, "integration", "pixfrac_source")
        reason = reached(summary, "integration", "pixfrac_reason")
        chosen = f"Chosen by the coverage. {sentence(str(reason))}" if reason else "chosen by the coverage"
        origin = {"recipe": "recipe (integrate.pixfrac)", "coverage": typeset(chosen)}
        rows.append(("Side of a drop (pixfrac)", f"{pixfrac:g} px", origin.get(str(source), words.UNKNOWN)))
    return rows


def sentences(summary: Facts, names: Collection[str] = ()) -> list[str]:
    """What the stages said about themselves, in the order of the work, each sentence once; ``names`` stay as is.

    Less why drops are as large as they are, which stands beside their size (`grounds`).
    """
    elsewhere = sentence(str(reached(summary, "integration", "pixfrac_reason") or ""), names)
    said = [
        *(reached(summary, "calibration", "notes") or ()),
        *(summary.get("assumptions") or ()),
        *(summary.get("to_know") or ()),
        *(note for step in reached(summary, "picture", "steps") or () for note in step["notes"]),
    ]
    made = dict.fromkeys(sentence(str(remark), names) for remark in said)
    return list(dict.fromkeys(typeset(remark, names) for remark in made if remark != elsewhere))


def given_names(summary: Facts, provenance: Facts) -> set[str]:
    """Names that users gave and remarks may repeat: of files, as short as they are shown, and of filters."""
    items = [*(summary.get("frames") or ()), *(summary.get("set_aside") or ())]
    found = {str(item.get(key) or "") for item in items for key in ("file", "filter")}
    paths = [*(provenance.get("inputs") or ()), *(item.get("path") or "" for item in items)]
    return (found | {PurePath(str(path)).name for path in paths}) - {""}


def _with_unit(value: Any, unit: str, error: Any = None) -> str:
    text = with_error(value, error)
    return "not known" if text == words.UNKNOWN else f"{text} {unit}"
