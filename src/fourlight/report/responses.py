"""What a camera and a filter do to light, as facts and as lines of text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from fourlight.core.passband import equivalent_nm, mean_nm, pivot_nm, spans
from fourlight.core.spectra import LINES_NM
from fourlight.errors import InputError
from fourlight.sensor.filters import Beam, Filter
from fourlight.sensor.lightpath import LINE_NAMES, LightPath, of_named_line
from fourlight.sensor.mixing import mixing_matrix

__all__ = ["camera_facts", "camera_lines", "filter_facts", "filter_lines", "in_columns"]

Facts = dict[str, Any]

WIDE_NM = np.arange(300.0, 1100.05, 0.1)
"""Where a filter by design is looked at."""

SCALES = {
    "absolute": "quantum efficiency",
    "relative": "relative: the highest value of the curves is 1, the efficiency there is not known",
    "by colour": "relative, and the colours among each other are known less well",
}
KINDS = {"halpha": "Hα", "oiii": "[OIII]"}


def camera_facts(path: LightPath) -> Facts:
    """Peaks, wavelengths and widths of the channels behind a filter, and their response at lines.

    Lines that the curves do not reach are None; so are wavelengths of a channel that sees nothing.
    """
    response, wave = path.response, path.grid()
    curves = path.at(wave)
    return {
        "camera": response.name,
        "source": response.source,
        "scale": response.scale,
        "range_nm": list(response.range_nm),
        "filter": path.filter.name,
        "beam": _beam(path.beam),
        "channels": {
            name: {**_summed_up(wave, curve), "peak_sigma": float(sigma[curve.argmax()])}
            for name, curve, sigma in zip(
                response.channels, curves, np.sqrt((path.modes_at(wave) ** 2).sum(axis=0)), strict=True
            )
        },
        "lines": [_line(path, key) for key in LINE_NAMES],
        "mixing": _mixing(path),
        "notes": list(path.notes),
    }


def _summed_up(wave: Any, curve: Any) -> Facts:
    around = spans(wave, curve)
    return {
        "peak": float(curve.max()),
        "peak_nm": float(wave[curve.argmax()]) if around else None,
        "mean_nm": mean_nm(wave, curve) if around else None,
        "pivot_nm": pivot_nm(wave, curve) if around else None,
        "above_half_nm": [list(span) for span in around],
        "equivalent_nm": float(equivalent_nm(wave, curve)),
    }


def _line(path: LightPath, key: str) -> Facts:
    """Of one line: electrons per photon of each channel, None where no curve reaches it."""
    fact: Facts = {"line": LINE_NAMES[key], "wave_nm": LINES_NM[key]}
    try:
        found = of_named_line(path, key)
    except InputError:
        return {**fact, "response": None}
    both = zip(found.channels, found.values, found.sigma, strict=True)
    return {**fact, "response": {name: {"value": float(v), "sigma": float(s)} for name, v, s in both}}


def _mixing(path: LightPath) -> Facts | None:
    """The mixing matrix of Hα and [OIII]; None where the curves do not reach all of their lines."""
    try:
        found = mixing_matrix(path)
    except InputError:
        return None
    return {
        "columns": list(found.columns),
        "values": found.values.tolist(),
        "sigma": found.sigma.tolist(),
        "notes": list(found.notes[len(path.response.notes) + len(path.filter.notes) :]),
    }


def filter_facts(chosen: Filter, beam: Beam | None = None) -> Facts:
    """Bands of a filter in a beam, and what it passes of lines; None where its curve does not reach."""
    wave = WIDE_NM if chosen.table is None else np.arange(chosen.table[0][0], chosen.table[0][-1] + 0.05, 0.1)
    passed = chosen.at(wave, beam)
    bands = []
    for low, high in spans(wave, passed):
        inside = passed[(wave >= low) & (wave <= high)]
        bands.append({"from_nm": low, "to_nm": high, "peak": float(inside.max(initial=0.0))})
    return {
        "filter": chosen.name,
        "source": chosen.source,
        "index": chosen.index,
        "beam": _beam(beam),
        "bands": bands if chosen.bands or chosen.table is not None else [],
        "lines": [_passed(chosen, beam, key) for key in LINE_NAMES],
        "notes": list(chosen.notes),
    }


def _passed(chosen: Filter, beam: Beam | None, key: str) -> Facts:
    fact: Facts = {"line": LINE_NAMES[key], "wave_nm": LINES_NM[key]}
    try:
        chosen.need(LINES_NM[key], LINE_NAMES[key])
    except InputError:
        return {**fact, "transmission": None}
    return {**fact, "transmission": float(chosen.at(LINES_NM[key], beam))}


def _beam(beam: Beam | None) -> Facts | None:
    return None if beam is None else {"f_ratio": beam.f_ratio, "obstruction": beam.obstruction}


def camera_lines(facts: Facts) -> list[str]:
    """Lines of text on a camera, see `camera_facts`."""
    channels = list(facts["channels"])
    low, high = facts["range_nm"]
    unit = "absolute" if facts["scale"] == "absolute" else "of the highest value"
    rows = [["", "highest", "at nm", "mean nm", "pivot nm", "equivalent nm", "above half, nm"]]
    for name, fact in facts["channels"].items():
        wave = [_number(fact[key], 1) for key in ("peak_nm", "mean_nm", "pivot_nm", "equivalent_nm")]
        rows.append(
            [name, _with_sigma(fact["peak"], fact["peak_sigma"]), *wave, _spans(fact["above_half_nm"])]
        )
    responses = [["line", "nm", *channels]]
    for fact in facts["lines"]:
        there = fact["response"]
        cells = [_with_sigma(**there[name]) if there else "not known" for name in channels]
        responses.append([fact["line"], f"{fact['wave_nm']:.2f}", *cells])
    return [
        f"camera  {facts['camera']}: {facts['source']}",
        f"scale   {SCALES[facts['scale']]}",
        f"curves  {low:g} to {high:g} nm; nothing is known of light outside of that, and none counted",
        f"filter  {facts['filter']}{_beam_words(facts['beam'])}",
        "",
        *in_columns(rows),
        "",
        f"electrons per photon of lines ({unit}), with one standard deviation",
        *in_columns(responses),
        *_mixing_lines(facts["mixing"], channels),
        *_notes([*facts["notes"], *(facts["mixing"] or {"notes": []})["notes"]]),
    ]


def _mixing_lines(mixing: Facts | None, channels: Sequence[str]) -> list[str]:
    if mixing is None:
        return []
    rows = [["kind of light", *channels]]
    for k, column in enumerate(mixing["columns"]):
        cells = [_with_sigma(v[k], s[k]) for v, s in zip(mixing["values"], mixing["sigma"], strict=True)]
        rows.append([KINDS[column], *cells])
    return [
        "",
        "the same of what comes together with a photon of Hα, and of [OIII] 500.68",
        *in_columns(rows),
    ]


def filter_lines(facts: Facts) -> list[str]:
    """Lines of text on a filter, see `filter_facts`."""
    rows = [["band", "centre nm", "width nm", "from nm", "to nm", "highest"]]
    for k, band in enumerate(facts["bands"], 1):
        low, high = band["from_nm"], band["to_nm"]
        rows.append([f"{k}", *(f"{value:.1f}" for value in ((low + high) / 2, high - low, low, high))])
        rows[-1].append(f"{band['peak']:.3f}")
    passed = [["line", "nm", "passed"]]
    for fact in facts["lines"]:
        share = fact["transmission"]
        passed.append(
            [fact["line"], f"{fact['wave_nm']:.2f}", "not known" if share is None else f"{share:.3f}"]
        )
    return [
        f"filter  {facts['filter']}: {facts['source']}",
        *([f"light   {_beam_words(facts['beam'])[2:]}, index {facts['index']:g}"] if facts["beam"] else []),
        "",
        *(in_columns(rows) if facts["bands"] else ["passes everything"]),
        "",
        *in_columns(passed),
        *_notes(facts["notes"]),
    ]


def _notes(notes: Sequence[str]) -> list[str]:
    return ["", *(f"to know: {note}" for note in notes)] if notes else []


def _beam_words(beam: Mapping[str, float] | None) -> str:
    if beam is None:
        return ""
    hole = (
        f" with {100 * beam['obstruction']:.0f} % of the diameter obstructed" if beam["obstruction"] else ""
    )
    return f", in light that converges at f/{beam['f_ratio']:g}{hole}"


def _number(value: float | None, digits: int) -> str:
    return "none" if value is None else f"{value:.{digits}f}"


def _with_sigma(value: float, sigma: float) -> str:
    return f"{value:.3f} +- {sigma:.3f}"


def _spans(found: Sequence[Sequence[float]]) -> str:
    return ", ".join(f"{low:.0f}-{high:.0f}" for low, high in found) or "none"


def in_columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows of cells as lines with aligned columns, the first to the left and the others to the right.

    >>> in_columns([["line", "nm"], ["Hα", "656.28"]])
    ['line        nm', 'Hα  656.28']
    """
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    return [
        "  ".join(
            cell.rjust(width) if k else cell.ljust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        for row in rows
    ]
