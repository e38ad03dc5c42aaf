"""The files of a what-if: what it tells, its figure and its page."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fourlight.io.room import whole
from fourlight.pipeline.outputs import write_json
from fourlight.pipeline.whatif_stacks import Pair
from fourlight.report.figure_style import NARROW, WIDE
from fourlight.report.figure_whatif import pair_figure
from fourlight.report.whatif import asked_words
from fourlight.report.whatif_page import whatif_page

__all__ = ["write_results"]


def write_results(target: Path, facts: Mapping[str, Any], pair: Pair) -> None:
    """Write ``whatif.json``, ``whatif.png`` and ``whatif.html``."""
    wide, narrow = (
        pair_figure(pair.before, pair.after, pair.sky, ("As it was", heading), width=width)
        for heading, width in ((asked_words(facts), WIDE), ("What if", NARROW))
    )
    with whole(target / "whatif.png") as part:
        part.write_bytes(wide.png)
    with whole(target / "whatif.html") as part:
        part.write_text(whatif_page(facts, {"wide": wide, "narrow": narrow}), encoding="utf-8", newline="")
    write_json(target / "whatif.json", facts)
