"""Sentences about the cause of different widths."""

import numpy as np
import pytest

from fourlight.core.trials import Trial
from fourlight.core.widthcauses import Explained, Seen
from fourlight.stages.width_ratio import WidthRatio
from fourlight.stages.width_words import statement

SEEN = Seen(
    np.zeros((9, 2)), np.full((9, 2), 0.003), 0.001, np.full(9, 2.0), False, np.arange(9.0), None,
    np.array([616.0, 547.0, 482.0]), np.array([0.2, 0.2, 0.3]),
)  # fmt: skip


def ratio(colour, value, p=0.001, high=None):
    trial = Trial(value, value - 0.01, high or value + 0.01, p, 0.005, 8.0)
    return WidthRatio(colour, "G", trial, 9, 1, "these frames")


def cause(name, score, p=0.5, red=0.05, blue=0.0):
    unknowns = np.array([0.36, -0.04]) if name in {"lens", "drift", "both"} else np.ones(1)
    return Explained(name, score, p, np.array([red, blue]), unknowns, np.full(unknowns.shape, 0.03))


def said(*causes, red=1.05, blue=1.0, **facts):
    ratios = {"R": ratio("R", red, **facts), "B": ratio("B", blue, p=0.6)}
    ranked = sorted([*causes, cause("none", 900.0)], key=lambda each: each.score)
    return statement(ranked, ratios, SEEN, "px", np.array([-2.4, 2.6]), None)


def test_what_was_measured_comes_first_with_its_scope():
    text = said(cause("lens", 10.0))
    assert text.startswith("Red stars are 5.0 % wider (4.0 to 6.0) and blue stars are 0.0 %")
    assert "than green ones (these frames)." in text


def test_sizes_of_a_lens_are_blurs():
    """Squares of 0.36 and -0.04, each +- 0.03: sqrt(0.36) +- 0.03 / 1.2, and no more than sqrt(0.04 + 0.06)."""
    text = said(cause("lens", 10.0))
    assert (
        "0.60 ± 0.03 px more blur in red and at most 0.32 px of blur more or less in blue, added in" in text
    )


@pytest.mark.parametrize(("score", "named"), [(15.9, True), (16.1, False)])
def test_a_cause_that_fits_nearly_as_well_is_named(score, named):
    """Scores closer than 6 are no strong evidence: Kass & Raftery 1995."""
    text = said(cause("lens", 10.0), cause("diffraction", score))
    assert ("Likely causes are" in text) == ("diffraction" in text) == named
    assert ("What would tell: the aperture" in text) == named


def test_a_cause_that_contains_another_is_no_rival_of_it():
    text = said(cause("seeing", 10.0), cause("both", 11.0), red=0.976)
    assert "The likely cause is turbulence" in text
    assert "lens" not in text


def test_a_cause_that_leaves_too_much_is_not_called_likely():
    assert "No single cause explains this" in said(cause("lens", 200.0, p=1e-9))


def test_sizes_that_could_not_be_checked_are_said_to_be():
    text = said(cause("diffraction", 10.0), cause("dispersion", 11.0))
    assert "the aperture is not known, so its size cannot be checked" in text
    assert "altitude or scale is not known, so its size cannot be checked" in text


def test_turbulence_is_ruled_out_in_words():
    assert "Turbulence works the other way in red: by itself it makes red -2.4 %" in said(cause("lens", 10.0))
    assert "Turbulence does not fit" in said(cause("lens", 10.0), red=0.9)


def test_an_interval_that_says_nothing_is_not_given():
    assert "(no interval" in said(cause("drift", 10.0), p=0.6, high=1e9)


def test_a_difference_by_chance_needs_no_cause():
    text = said(cause("lens", 898.0), red=1.001, p=0.6)
    assert text.endswith("no difference for which a cause could be sought.")
