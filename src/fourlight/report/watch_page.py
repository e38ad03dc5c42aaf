"""The page of a night that goes on: it holds all that it shows, and asks for itself again after a while."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fourlight.report.clock import capital
from fourlight.report.figure_style import Drawn
from fourlight.report.pictures import address
from fourlight.report.templates import filled
from fourlight.report.watch_words import ahead_words, alarm_words, clock_words, target_words
from fourlight.report.words import digits, duration, typeset_page

__all__ = ["watch_page"]

REFRESH_S = 10
PICTURE_PX = 1600
LAST = 12
"""Subs in the table."""


def watch_page(facts: Mapping[str, Any], wide: Drawn, narrow: Drawn, picture: Path | None) -> str:
    """The page as text.

    Parameters
    ----------
    facts : mapping
        Content of ``watch.json``.
    wide, narrow : Drawn
        The chart for wide and narrow screens.
    picture : Path or None
        The running picture.
    """
    rows = facts["subs"]
    alarms = [(alarm, capital(alarm_words(alarm, rows))) for alarm in facts["alarms"]]
    text = filled(
        "watch.html.j2", refresh=None if facts["ended"] else REFRESH_S,
        title=facts["object"] or "The night", ended=facts["ended"],
        now=[words for alarm, words in alarms if alarm["until"] is None],
        over=[f"{words} Over." for alarm, words in alarms if alarm["until"] is not None][-6:],
        facts=_facts(facts), ahead=ahead_words(facts), target=target_words(facts["target"]),
        picture=None if picture is None else address(picture, PICTURE_PX), no_picture=facts["no_picture"],
        wide=_png(wide), narrow=_png(narrow), words=wide.words, table=_table(facts), noise=_noise(facts),
        folder=facts["folder"],
    )  # fmt: skip
    return typeset_page(text)


def _facts(facts: Mapping[str, Any]) -> list[tuple[str, str]]:
    rows = facts["subs"]
    aside = len(rows) - facts["used"]
    snr = digits(facts["snr"][-1], 3) if facts["snr"] else "–"
    found = [
        ("Signal over noise", snr),
        ("Subs", f"{facts['used']}" + (f", {aside} set aside" if aside else "")),
    ]
    found.append(("Exposure", duration(facts["exposure_s"])))
    used = [row for row in rows if row["status"] == "used"]
    if used:
        last = used[-1]
        found.append(("Star width", f"{digits(last['fwhm_px'], 3)} px"))
        found.append(("Starlight", f"{100 * last['transparency']:.0f} %"))
    return found


def _noise(facts: Mapping[str, Any]) -> str:
    ratio = facts["noise_between_halves"]
    if ratio is None:
        return ""
    return (
        f"The two halves of the subs differ by {digits(ratio, 3)} times the noise that is claimed: "
        "both are measured, the first between subs, the second within them."
    )


def _table(facts: Mapping[str, Any]) -> list[list[str]]:
    found = []
    for row in reversed(facts["subs"][-LAST:]):
        used = row["status"] == "used"
        found.append(
            [
                str(row["file"]),
                clock_words(row["time_s"]),
                digits(row["fwhm_px"], 3) if used else "",
                digits(row["elongation"], 3) if used else "",
                digits(row["sky"], 3) if used else "",
                f"{100 * row['transparency']:.0f} %" if used else f"set aside: {row['reason']}",
            ]
        )
    return found


def _png(drawn: Drawn) -> str:
    return "data:image/png;base64," + base64.b64encode(drawn.png).decode()
