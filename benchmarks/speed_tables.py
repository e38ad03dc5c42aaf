"""Measured speed as Markdown tables: what is wanted, what was found, and from which two figures."""

from __future__ import annotations

from typing import Any

__all__ = ["PART_HEADS", "job_table", "part_rows"]

PART_HEADS = ["| | wanted | measured | reached | from |", "|---|---|---|---|---|"]
GB = 1e9
Costs = dict[str, Any]


def job_table(ours: Costs, drops: Costs, script: Costs, agreement: dict[str, Any]) -> str:
    """Costs of the whole job, their ratios, and how far the stacks agree."""
    lines = [
        "{frames} lights of {megapixels:g} MP; {calibration} each of darks, flats and bias.".format(
            **agreement
        ),
        "",
        "| | Fourlight | Fourlight by drops | script | script over Fourlight | by drops | wanted | reached |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for what, key, unit, scale, wanted in (
        ("wall time", "wall_s", "s", 1.0, 20),
        ("processor time", "cpu_s", "s", 1.0, 12),
        (f"peak of {script['memory']} memory", "peak_bytes", "GB", GB, 5),
    ):
        cells = [f"{side[key] / scale:.{1 if unit == 's' else 2}f} {unit}" for side in (ours, drops, script)]
        ratios = [script[key] / side[key] for side in (ours, drops)]
        cells += [f"{ratio:.2g}" for ratio in ratios]
        lines.append(f"| {what} | {' | '.join(cells)} | >= {wanted} | {_word(ratios[0] >= wanted)} |")
    lines += [
        "",
        "| Fourlight's stack against the script's | R | G1 | G2 | B | G |",
        "|---|---|---|---|---|---|",
    ]
    for side, mark in (("fourlight", ""), ("drops", ", by drops")):
        found = agreement[side]
        for what, key in (("light of stars", "flux"), ("scatter of the same", "scatter"), ("sky", "sky")):
            sign = "" if key == "scatter" else "+"
            cells = [f"{100 * found[plane][key]:{sign}.2f} %" for plane in ("R", "G1", "G2", "B", "G")]
            lines.append(f"| {what}{mark} | {' | '.join(cells)} |")
    return "\n".join(lines)


def _ratio(times: float) -> str:
    """Times as much, or the part of it."""
    return f"{times:.2g} x" if times >= 1 else f"1/{1 / times:.2g}"


def part_rows(results: dict[str, Any]) -> list[str]:
    """One line for each figure whose part has been measured."""
    makers = {
        "methods": _methods,
        "drops": _drops,
        "rejection": _rejection,
        "stars": _stars,
        "memory": _memory,
        "evidence": _evidence,
        "first": _first,
    }
    return [line for name, maker in makers.items() if name in results for line in maker(results[name])]


def _word(reached: bool) -> str:
    return "yes" if reached else "no"


def _row(what: str, wanted: str, measured: str, reached: bool | None, of: str) -> str:
    mark = "" if reached is None else _word(reached)
    return f"| {what} | {wanted} | {measured} | {mark} | {of} |"


def _methods(found: dict[str, Any]) -> list[str]:
    drops, fit = found["drizzle"], found["least-squares"]
    ratio = fit["cpu_s"] / drops["cpu_s"]
    of = f"{found['frames']} lights of {found['megapixels']:g} MP: {fit['cpu_s']:.1f} s against {drops['cpu_s']:.1f} s"
    return [
        _row("time of least squares over drops, integration alone", "<= 3", f"{ratio:.2g}", ratio <= 3, of)
    ]


def _evidence(found: dict[str, Any]) -> list[str]:
    rows = []
    for key, what in (("wall_s", "wall"), ("cpu_s", "processor")):
        told, made = found["evidence"][key], found["integration"][key]
        of = f"{found['frames']} lights of {found['megapixels']:g} MP: {told:.0f} s against {made:.0f} s"
        name = f"{what} time of the evidence over the integration"
        rows.append(_row(name, "<= 1", f"{told / made:.2g}", told <= made, of))
    return rows


def _drops(found: dict[str, float]) -> list[str]:
    ratio = found["ours, ns"] / found["package, ns"]
    return [
        _row(
            "drops against the drizzle package: apart, 99 of 100 pixels",
            "<= 0.01 sigma",
            f"{found['apart, sigma']:.4f}",
            found["apart, sigma"] <= 0.01,
            f"square kernel, red plane, {found['samples']:.0f} samples",
        ),
        _row(
            "time per sample over the package's",
            "<= 1/5",
            _ratio(ratio),
            ratio <= 1 / 5,
            f"{found['ours, ns']:.1f} ns against {found['package, ns']:.1f} ns "
            f"(with its variance {found['package with variance, ns']:.1f} ns; our second pass for that is not counted)",
        ),
        _row(
            "table of overlaps, one for all lights turned alike", "", f"{found['table, ms']:.0f} ms", None, ""
        ),
    ]


def _rejection(found: dict[str, float]) -> list[str]:
    ratio = found["ours alone, ns"] / found["astropy alone, ns"]
    whole = found["ours, ns"] / found["astropy, compiled, ns"]
    return [
        _row(
            "rejection over astropy's MAD clip, per value of the same array",
            "<= 1/7",
            _ratio(ratio),
            ratio <= 1 / 7,
            f"{found['ours alone, ns']:.1f} ns against {found['astropy alone, ns']:.0f} ns; "
            f"{found['judged otherwise']:.0f} of {found['values']:.0f} values judged otherwise; 24 lights",
        ),
        _row(
            "rejection of a run, samples placed, over the same clip",
            "",
            _ratio(whole),
            None,
            f"{found['ours, ns']:.0f} ns against {found['astropy, compiled, ns']:.0f} ns "
            f"({found['astropy, by function, ns']:.0f} ns where `mad_std` is given as a function); 24 lights",
        ),
    ]


def _stars(found: dict[str, float]) -> list[str]:
    rows = []
    ways = ("green means", "green filled in")
    for way in ways:
        ratio = found["ours, ms per MP"] / found[f"sep, {way}, ms per MP"]
        of = f"{found['ours, ms per MP']:.0f} ms/MP against {found[f'sep, {way}, ms per MP']:.0f} ms/MP"
        of += f"; {found['ours, stars']:.0f} and {found[f'sep, {way}, stars']:.0f} true stars found"
        rows.append(
            _row(f"detection and places over sep on {way}", "<= 1/4", _ratio(ratio), ratio <= 1 / 4, of)
        )
    errors = [found[f"{name}, px"] for name in ("ours", *(f"sep, {way}" for way in ways))]
    of = f"{errors[0]:.3f} px per axis against {errors[1]:.3f} px (means) and {errors[2]:.3f} px (filled in)"
    of += f", {found['common']:.0f} stars that all found"
    better = min(errors[1:]) / errors[0]
    rows.append(_row("error of places, sep over ours", "> 1", f"{better:.2g} x", better > 1, of))
    return rows


def _memory(found: dict[str, Any]) -> list[str]:
    few, many = sorted(found, key=int)
    grown = found[many]["peak_bytes"] / found[few]["peak_bytes"] - 1
    cost = [found[count]["cpu_s"] / int(count) for count in (few, many)]
    name = f"peak of {found[few]['memory']} memory"
    of = " and ".join(f"{found[count]['peak_bytes'] / GB:.2f} GB" for count in (few, many))
    each = " and ".join(f"{seconds:.1f} s" for seconds in cost)
    return [
        _row(f"{name}, from {few} to {many} lights", "<= +10 %", f"{100 * grown:+.0f} %", grown <= 0.1, of),
        _row(
            f"processor time per light, {many} over {few} lights",
            "<= 1",
            f"{cost[1] / cost[0]:.2g}",
            cost[1] <= cost[0],
            each,
        ),
    ]


def _first(found: dict[str, Any]) -> list[str]:
    first, second = found["first"], found["second"]
    apart = first["cpu_s"] - second["cpu_s"]
    of = f"12 lights of 0.12 MP: processor time {first['cpu_s']:.0f} s, then {second['cpu_s']:.0f} s; "
    of += f"wall {first['wall_s']:.0f} s, then {second['wall_s']:.0f} s"
    return [_row("compiling kernels, first run only", "", f"{apart:.0f} s", None, of)]
