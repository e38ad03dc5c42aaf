"""One page of a comparison that needs no other file and no network."""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from fourlight.report.clock import Clock, capital
from fourlight.report.comparing import budget_rows, clock_rows, quantity_rows
from fourlight.report.comparing_words import (
    SURE,
    channel_words,
    limits_words,
    ratio_range,
    setup_words,
    target_words,
    verdict_lines,
    weakest_words,
    window_words,
)
from fourlight.report.figure_compare import compare_figure
from fourlight.report.figure_compare_pictures import compare_pictures_figure
from fourlight.report.figure_style import NARROW, WIDE, Drawn
from fourlight.report.planning import CARE, site_words
from fourlight.report.templates import filled
from fourlight.report.words import typeset_page
from fourlight.stages.compare_whole import Compared

__all__ = ["compare_page", "compare_words"]

Uint8 = npt.NDArray[np.uint8]


def compare_page(
    compared: Compared, views: Sequence[Uint8], shown: Sequence[str], clock: Clock, assumed: Sequence[str]
) -> str:
    """The page as text: verdict, chart, pictures, tables, and every assumption with its range and source.

    Parameters
    ----------
    compared : Compared
    views : two of (my, mx, 3) uint8
        Simulated pictures.
    shown : three of str
        Kinds of light in their red, green and blue.
    clock : Clock
    assumed : sequence of str
        What was taken for granted beside the ranges.
    """
    chart, chart_words = _views(lambda width: compare_figure(compared, clock, width=width), vector=True)
    pictures, picture_words = _views(
        lambda width: compare_pictures_figure(compared, views, shown, width=width), vector=False
    )
    text = filled(
        "compare.html.j2", chart=chart, chart_words=chart_words, pictures=pictures,
        picture_words=picture_words, **compare_words(compared, clock, assumed),
    )  # fmt: skip
    return typeset_page(text)


def compare_words(compared: Compared, clock: Clock, assumed: Sequence[str]) -> dict[str, Any]:
    """All that a page tells of a comparison in words and tables."""
    lettered = list(zip("AB", compared.sides, strict=True))
    return {
        "title": capital(" or ".join(side.setup.name for side in compared.sides)),
        "overline": window_words(compared, clock),
        "verdicts": [_sentence(line.removeprefix("verdict: ")) for line in verdict_lines(compared)],
        "setups": [f"{letter}: {setup_words(side.setup)}." for letter, side in lettered],
        "what": _sentence(target_words(compared)),
        "where": _sentence(site_words(compared.night)),
        "quantities": quantity_rows(compared),
        "channels": [f"Channels of {letter}: {channel_words(side)}." for letter, side in lettered],
        "budget": budget_rows(compared),
        "ends": clock_rows(compared),
        "ends_words": capital(weakest_words(compared)),
        "sure": SURE,
        "ranges": [
            ["range", "source", "B over A by it alone"],
            *(
                [capital(one.range), capital(one.source), ratio_range(one.low, one.high)]
                for one in compared.assumed
            ),
        ],
        "assumed": [_sentence(each) for each in assumed],
        "limits": [_sentence(each) for each in limits_words(compared)],
        "draws": compared.asked.draws,
        "care": CARE,
    }


def _views(draw: Callable[[int], Drawn], *, vector: bool) -> tuple[dict[str, str], str]:
    """A figure at both widths as addresses that hold it, and what it shows."""
    drawn = {"wide": draw(WIDE), "narrow": draw(NARROW)}
    begin = f"data:image/{'svg+xml' if vector else 'png'};base64,"
    found = {
        name: begin + base64.b64encode(each.svg if vector else each.png).decode()
        for name, each in drawn.items()
    }
    return found, drawn["wide"].words


def _sentence(text: str) -> str:
    return f"{capital(text)}{'' if text.endswith('.') else '.'}"
