"""One page of a planned night that needs no other file and no network."""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from typing import Any

from fourlight.report.clock import Clock, capital, span_words
from fourlight.report.figure_ahead import ahead_figure
from fourlight.report.figure_night import night_figure
from fourlight.report.figure_style import NARROW, WIDE, Drawn
from fourlight.report.planning import (
    CARE,
    ahead_rows,
    moon_words,
    night_rows,
    object_rows,
    objects_words,
    site_words,
    tonight_lines,
    usable_words,
)
from fourlight.report.templates import filled
from fourlight.report.words import typeset_page
from fourlight.stages.plan_whole import Planned

__all__ = ["plan_page", "plan_words"]


def plan_page(planned: Planned, clock: Clock, assumed: Sequence[str]) -> str:
    """The page as text: charts for wide and narrow screens, tables, what was assumed, what to take care of."""
    views, words = _views(lambda width: night_figure(planned, clock, width=width))
    ahead = planned.ahead is not None
    later, later_words = _views(lambda width: ahead_figure(planned, width=width)) if ahead else (None, "")
    text = filled(
        "plan.html.j2", night=views, night_words=words, ahead=later,
        ahead_words=later_words, **plan_words(planned, clock, assumed),
    )  # fmt: skip
    return typeset_page(text)


def plan_words(planned: Planned, clock: Clock, assumed: Sequence[str]) -> dict[str, Any]:
    """All that a page tells of a night in words and tables."""
    night, place = planned.night, planned.wanted.place
    rows, note = ahead_rows(planned) if planned.ahead is not None else ([], "")
    return {
        "title": "The night" if place is None else place.title,
        "overline": f"{night.evening} to {clock.at(float(night.moments_s[-1])):%Y-%m-%d}, times in {clock.name}",
        "lead": _lead(planned, clock),
        "facts": _facts(planned, clock),
        "table": night_rows(planned, clock) if place is not None else [],
        "objects": object_rows(planned, clock) if planned.suited else [],
        "objects_note": capital(objects_words(planned)) + "." if planned.suited else "",
        "sub": [_sentence(line) for line in tonight_lines(planned)] if planned.tonight else [],
        "ahead_table": rows,
        "ahead_note": _sentence(note),
        "assumed": [_sentence(each) for each in assumed],
        "care": CARE,
    }


def _views(draw: Callable[[int], Drawn]) -> tuple[dict[str, str], str]:
    """A chart at both widths as addresses that hold it, and what it shows."""
    drawn = {"wide": draw(WIDE), "narrow": draw(NARROW)}
    begin = "data:image/svg+xml;base64,"
    return {name: begin + base64.b64encode(each.svg).decode() for name, each in drawn.items()}, drawn[
        "wide"
    ].words


def _sentence(text: str) -> str:
    """A line of the terminal as a sentence."""
    bare = " ".join(text.split())
    return f"{capital(bare)}{'' if bare.endswith('.') else '.'}" if bare else ""


def _lead(planned: Planned, clock: Clock) -> str:
    night = planned.night
    if planned.sight is None:
        return f"{capital(site_words(night))}."
    if not planned.sight.usable.any():
        later = f" The next night with it is {planned.next_evening}." if planned.next_evening else ""
        return f"It is never high enough while it is dark.{later} {capital(site_words(night))}."
    return f"Usable {usable_words(planned, clock)}. {capital(site_words(night))}."


def _facts(planned: Planned, clock: Clock) -> list[tuple[str, Any]]:
    night = planned.night
    found = [
        ("Dark", f"{clock.hm(night.dark[0][0])} to {clock.hm(night.dark[-1][1])}"),
        ("Hours of darkness", span_words(night.dark_h)),
        ("Sunset, sunrise", ", ".join(clock.hm(at) for at in night.sun_events["sunset"])),
        ("Moon", moon_words(night, clock)),
        ("Moon lit", f"{100 * night.lit_share:.0f} %"),
    ]
    sight = planned.sight
    if sight is not None and sight.best is not None:
        found.append(("Best", f"{clock.hm(sight.best[0])} to {clock.hm(sight.best[1])}"))
    if sight is not None:
        found.append(("Meridian", ", ".join(clock.hm(at) for at in sight.meridian_s) or "not this night"))
    return found
