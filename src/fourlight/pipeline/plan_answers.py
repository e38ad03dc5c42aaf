"""Plans as plain data for a page: headings, facts, tables, charts in light and dark, what was assumed, what to mind."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from fourlight.errors import FourlightError, InputError
from fourlight.pipeline.plan_forms import field_names
from fourlight.report.clock import capital
from fourlight.report.figure_style import DARK, LIGHT, Drawn, Look
from fourlight.report.planning import CARE

if TYPE_CHECKING:
    from fourlight.pipeline.compare_pictures import Pictures
    from fourlight.report.clock import Clock
    from fourlight.stages.compare_whole import Compared
    from fourlight.stages.plan_skies import SubPlan
    from fourlight.stages.plan_whole import Planned

__all__ = ["comparison_answer", "field_words", "for_forms", "plan_answer", "subs_answer", "whatif_answer"]

Answer = dict[str, Any]


def field_words(text: str) -> str:
    """What is said to somebody at a terminal, for somebody at a form: options become the names of fields.

    Options that no form has are of commands, and stay.

    >>> field_words("--least-altitude 99: degrees from 0 to 85 are needed")
    'least altitude 99: degrees from 0 to 85 are needed'
    >>> field_words("a sky of 21 mag; give yours with --sky")
    'a sky of 21 mag; give yours with sky'
    >>> field_words("run it again with --set read.gain_e_per_adu=GAIN")
    'run it again with --set read.gain_e_per_adu=GAIN'
    """

    def said(found: re.Match[str]) -> str:
        return found[1].replace("-", " ") if found[1].replace("-", "_") in field_names() else found[0]

    return re.sub(r"--([a-z][a-z-]*)", said, text)


@contextmanager
def for_forms() -> Iterator[None]:
    """Errors speak of fields in place of options."""
    try:
        yield
    except FourlightError as error:
        if error.exit_code != 2 or "--" not in str(error):
            raise
        raise InputError(field_words(str(error))) from None


def plan_answer(planned: Planned, clock: Clock, assumed: Sequence[str]) -> Answer:
    """A night: chart, events, half hours of a target or what suits, subs, nights ahead."""
    from fourlight.report.figure_ahead import ahead_figure
    from fourlight.report.figure_night import night_figure
    from fourlight.report.planning_page import plan_words

    said = plan_words(planned, clock, assumed)
    charts = [_chart(lambda look: night_figure(planned, clock, look=look))]
    if planned.ahead is not None:
        charts.append(_chart(lambda look: ahead_figure(planned, look=look)))
    tables = [
        _table("The night, half hour by half hour", _with_units(said["table"]), ""),
        {
            **_table("What suits the field and the night", said["objects"], said["objects_note"]),
            "objects": True,
        },
        _table("Nights ahead", said["ahead_table"], said["ahead_note"]),
    ]
    return _answer(
        said["title"], said["overline"], said["lead"], facts=said["facts"], charts=charts, tables=tables,
        parts=[("Subs, and what the night gives", said["sub"])], assumed=said["assumed"], care=said["care"],
    )  # fmt: skip


def subs_answer(plan: SubPlan, assumed: Sequence[str]) -> Answer:
    """Lengths of subs under one sky or several."""
    from fourlight.report.figure_sub import sub_figure
    from fourlight.report.sub_words import needed_lines, rig_words, snr_lines, sub_lines, under_words

    parts = []
    for under in plan.skies:
        told = [*sub_lines(under.sub, plan.wish, ""), *snr_lines(under.snr, plan.wish, "an hour of light")]
        parts.append((f"{under_words(under)} mag per square arcsec", [*told, *needed_lines(under.needed)]))
    about = f"{plan.wish.target.name}, {plan.altitude_deg:g} degrees high, air mass {plan.air_mass:.2f}"
    chart = _chart(lambda look: sub_figure(plan, look=look))
    return _answer("Length of subs", about, rig_words(plan.rig), charts=[chart], parts=parts, assumed=assumed)


def comparison_answer(compared: Compared, clock: Clock, assumed: Sequence[str], made: Pictures) -> Answer:
    """Two setups at the same hours, with simulated pictures."""
    from fourlight.report.comparing_page import compare_words
    from fourlight.report.figure_compare import compare_figure
    from fourlight.report.figure_compare_pictures import compare_pictures_figure

    said = compare_words(compared, clock, assumed)
    charts = [
        _chart(lambda look: compare_figure(compared, clock, look=look)),
        _chart(lambda look: compare_pictures_figure(compared, made.views, made.shown, look=look)),
    ]
    note = f"{said['sure']} % intervals of B over A over all assumptions ({said['draws']} draws)."
    tables = [
        _table("Signal over noise of the patch", said["quantities"], note),
        _table("If cloud ends the night", said["ends"], f"{said['ends_words']}."),
        _table("Where the hours go", said["budget"], ""),
        _table("Assumptions with their ranges", said["ranges"], ""),
    ]
    parts = [
        ("", said["verdicts"]),
        ("", [*said["setups"], said["what"], said["where"], *said["channels"]]),
        ("What it does not hold", said["limits"]),
    ]
    return _answer(
        said["title"],
        said["overline"],
        "",
        charts=charts,
        tables=tables,
        parts=parts,
        assumed=said["assumed"],
    )


def whatif_answer(facts: Mapping[str, Any], picture: str) -> Answer:
    """Lights under another sky; ``picture`` is the address of its figure."""
    from fourlight.report.whatif import asked_words, facts_list, lead, limits, rows

    charts = [{"words": f"Two stacks side by side: as it was, and {asked_words(facts)}", "address": picture}]
    tables = [_table("Noise and signal over noise", rows(facts), "")]
    return _answer(
        asked_words(facts), "", lead(facts), facts=facts_list(facts), charts=charts, tables=tables,
        parts=[("What it cannot show", limits(facts))], assumed=facts["assumed"], care=(),
    )  # fmt: skip


def _answer(
    title: str, about: str, lead: str, *, charts: Sequence[Any], parts: Sequence[tuple[str, Sequence[str]]],
    assumed: Sequence[str], facts: Sequence[tuple[str, Any]] = (), tables: Sequence[Any] = (),
    care: Sequence[str] = CARE,
) -> Answer:  # fmt: skip
    return {
        "title": title, "about": about, "lead": lead, "facts": [list(pair) for pair in facts],
        "charts": list(charts), "tables": [table for table in tables if table["rows"]],
        "parts": [
            {"title": capital(name), "lines": [capital(" ".join(line.split())) for line in said]}
            for name, said in parts if said
        ],
        "assumed": [capital(field_words(each)) for each in assumed], "care": list(care),
    }  # fmt: skip


def _table(title: str, rows: Sequence[Sequence[str]], note: str) -> dict[str, Any]:
    return {"title": title, "rows": [list(row) for row in rows], "note": note}


def _with_units(rows: Sequence[Sequence[str]]) -> list[list[str]]:
    """Rows whose second one holds units, with these in the head."""
    if not rows:
        return []
    head = [f"{name}, {unit}" if unit else name for name, unit in zip(rows[0], rows[1], strict=True)]
    return [head, *(list(row) for row in rows[2:])]


def _chart(draw: Callable[[Look], Drawn]) -> dict[str, str]:
    """A figure in both sets of colours, as lines where it has them, else as pixels."""
    dark, light = draw(DARK), draw(LIGHT)
    if dark.svg:
        return {
            "words": dark.words,
            "kind": "image/svg+xml",
            "dark": dark.svg.decode(),
            "light": light.svg.decode(),
        }
    told = {name: base64.b64encode(each.png).decode() for name, each in (("dark", dark), ("light", light))}
    return {"words": dark.words, "kind": "image/png", **told}
