"""Claims in sentences."""

from __future__ import annotations

import pytest

from claim_series import claim
from fourlight.stages.claim_terms import Side
from fourlight.stages.claim_words import sentence, unit


def said(**changes: object) -> str:
    asked = claim(**changes)
    return sentence(
        asked, "B" if asked.first.kind != "planes" else "", (asked.first, asked.second), (1.21, 1.13, 1.29)
    )


def test_every_comparison_has_its_sentence() -> None:
    assert said() == (
        "R had 1.21 times the width of stars of G (95 % interval 1.13 to 1.29); 1.05 or more would matter"
    )
    assert said(of="warm", against="cold", quantity="noise", at_equal=("sky", "exposure")).startswith(
        "in B, lights of a warm sensor had 1.21 times the noise of lights of a cold sensor at equal sky and exposure ("
    )
    assert said(of="G", against="R+G+B", quantity="information", compare="share", null=0.2, matters=0.5,
                among="dark").startswith(
        "G holds 1.21 of the information of R, G and B of lights without the Moon ("
    )  # fmt: skip
    slope = {"of": "all lights", "against": "", "compare": "slope", "quantity": "noise"}
    assert "the noise of all lights was 1.21 times as large for 10 C more temperature" in said(
        **slope, over="temperature", step=10
    )
    assert "for 2 times the sky" in said(**slope, over="sky", step=2)
    assert said(of="no darks", against="as run", quantity="noise", compare="difference").startswith(
        "in B, the stack without darks had 1.21 e- more noise than the stack as run"
    )


def test_both_directions_are_named_where_either_would_matter() -> None:
    assert said(direction="either", matters=1.25).endswith("; 1.25 or more, or 0.8 or less, would matter")
    changes = {"of": "moonlit", "against": "dark", "quantity": "sky", "compare": "difference", "null": 0.0}
    assert said(**changes, direction="either", matters=2.0).endswith(
        "; 2 or more, or -2 or less, would matter"
    )


@pytest.mark.parametrize(
    ("matters", "bars"),
    [
        (0.8, "1.25 or more, or 0.8 or less"),
        (0.98, "1.02 or more, or 0.98 or less"),
        (1.004, "1.004 or more, or 0.996 or less"),
        (1100.0, "1100 or more, or 0.00091 or less"),
    ],
)
def test_what_would_matter_is_told_on_its_side_with_its_digits(matters: float, bars: str) -> None:
    """Of a ratio the other bar is 1 over it: 1 / 0.98 = 1.0204, 1 / 1.004 = 0.99602, 1 / 1100 = 0.000909."""
    assert said(direction="either", matters=matters).endswith(f"; {bars}, would matter")
    side = "more" if matters > 1 else "less"
    assert said(direction=side, matters=matters).endswith(f"; {matters:g} or {side} would matter")


def test_units() -> None:
    assert unit(claim()) == "times"
    assert unit(claim(compare="difference")) == "px"
    assert Side("group", "night 2031-08-19").words == "lights of night 2031-08-19"
