"""Words and page of a what-if."""

from __future__ import annotations

from typing import Any

import numpy as np

from fourlight.report.figure_style import NARROW, WIDE
from fourlight.report.figure_whatif import pair_figure
from fourlight.report.whatif import asked_words, lead, limits, rows
from fourlight.report.whatif_page import whatif_page
from parsed_page import Tree


def told(ratio: float, hours: float) -> dict[str, Any]:
    return {
        "ratio": ratio, "low": ratio * 0.9, "high": ratio * 1.1,
        "hours_for_the_same": {"value": hours / ratio**2, "low": hours / (1.1 * ratio) ** 2,
                               "high": hours / (0.9 * ratio) ** 2},
    }  # fmt: skip


def facts(**changed: Any) -> dict[str, Any]:
    part = {
        "noise": {"before": 1.0, "after": 2.0}, "snr": {"before": 30.0, "after": 15.0},
        "faint": told(0.5, 2.0), "object": told(0.6, 2.0),
    }  # fmt: skip
    planes = ("R", "G1", "G2", "B")
    return {
        "object": "Kelder's Lantern", "unit": "electron", "run": "run", "patch_arcsec2": 100.0, "patch_px": None,
        "asked": {"mag": 19.0, "factor": None, "moon": None, "subs": 8, "without": None},
        "lights": {"before": 14, "asked": 8, "after": 7, "with_added_light": 8, "megabytes_written": 4.0,
                   "method": ["least-squares", "drizzle"],
                   "set_aside_after": [{"file": "light_3.fits", "reason": "too few stars"}]},
        "hours": {"before": 2.0, "after": 2.0},
        "sky": {"added_e": dict.fromkeys(planes, 400.0), "was_mag": {"median": 21.3}, "is_mag": {"median": 19.0},
                "moon_mag": None, "left_as_they_were": 1},
        "channels": {"R": part, "G": part, "B": part, "all": part},
        "assumed": ["a sky of 21.3 in the median light, as --was says"],
    } | changed  # fmt: skip


def test_what_was_asked_for_is_the_title() -> None:
    assert asked_words(facts()) == "A sky of 19 mag per square arcsec and 8 subs"
    asked = {
        "mag": None,
        "factor": 2.0,
        "moon": {"lit": 0.5, "apart_deg": 60.0},
        "subs": None,
        "without": "G1",
    }
    assert asked_words(facts(asked=asked)) == (
        "A sky 2.00 times as bright, a Moon lit to 50 % at 60 degrees and no green 1"
    )


def test_the_lead_tells_the_cost_with_its_interval() -> None:
    """2 h over 0.6 squared: 5.56 h."""
    text = lead(facts())
    assert "0.60 ± 0.06 times" in text
    assert "2 h were taken" in text
    assert "5.6 (4.6–6.9) h" in text
    nothing = {"faint": None, "object": None, "snr": {"before": None, "after": None}}
    assert "Too little" in lead(facts(channels={"all": nothing}))
    dark = nothing | {"snr": {"before": 30.0, "after": 0.0}}
    assert lead(facts(channels={"all": dark})) == "The channels that are left show no light of the object."


def test_every_channel_has_a_row() -> None:
    table = rows(facts())
    assert [row[0] for row in table[1:]] == ["Red", "Green", "Blue", "All together"]
    assert {len(row) for row in table} == {8}
    assert table[1][-1] == "4.0 (3.3–4.9)"


def test_limits_are_those_of_what_was_done() -> None:
    every = " ".join(limits(facts()))
    for words in ("never removed", "1 light had a sky as bright", "not by how good", "drops, not by least squares",
                  "light_3.fits (too few stars)"):  # fmt: skip
        assert words in every
    lights = facts()["lights"] | {"set_aside_after": [], "method": ["drizzle", "drizzle"]}
    asked = facts()["asked"] | {"subs": None, "mag": None, "without": "B"}
    few = limits(facts(sky=None, lights=lights, asked=asked))
    assert len(few) == 1
    assert "own samples only" in few[0]


def test_the_page_holds_all_of_it() -> None:
    rng = np.random.default_rng(4)
    before = {c: (rng.standard_normal((120, 160)) * 3 + 100).astype(np.float32) for c in ("R", "G", "B")}
    before["G"][40:80, 60:100] += 60
    after = {c: before[c] + np.float32(50) for c in ("R", "B")}
    sky = {"R": (100.0, 150.0), "G": (100.0, 100.0), "B": (100.0, 150.0)}
    drawn = {
        name: pair_figure(before, after, sky, ("As it was", "What if"), width=width)
        for name, width in (("wide", WIDE), ("narrow", NARROW))
    }
    assert "As it was and what if" in drawn["wide"].words
    text = whatif_page(facts(), drawn)
    assert "width: 100%" in text
    page = Tree()
    page.feed(text)
    assert page.open == []
    assert "A sky of 19 mag per square arcsec and 8 subs" in text
    assert text.count("data:image/jpeg;base64,") == 2
    assert 'href="run/report.html"' in text
    assert "http://" not in text
