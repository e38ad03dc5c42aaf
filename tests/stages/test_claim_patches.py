"""Treatments patch by patch: truth without noise, what patches share, what noise may not pass for."""

from __future__ import annotations

import numpy as np
import pytest

from claim_series import claim, columns, series
from fourlight.stages.claim_lights import Untold
from fourlight.stages.claim_patches import of_treatments, of_unevenness
from fourlight.stages.series import Series

RNG = np.random.default_rng(3)
M = 24
SCENE = np.exp(RNG.normal(0, 1, M))
DARKS = {"of": "no darks", "against": "as run", "quantity": "noise", "planes": ("R",)}
FLATS = {"of": "no flats", "against": "as run", "quantity": "signal", "compare": "unevenness", "planes": ("G1", "G2"),
         "null": 0.0, "matters": 0.02}  # fmt: skip


def stacks(other: str, as_run: dict, changed: dict) -> Series:
    return series(0, patches={"as run": as_run, other: changed})


@pytest.mark.parametrize(
    ("compare", "expected"), [("ratio", np.log(1.2)), ("difference", 0.2 * SCENE.mean())]
)
def test_what_patches_share_drops_out(compare: str, expected: float) -> None:
    given = stacks("no darks", {"noise": columns(R=SCENE)}, {"noise": columns(R=1.2 * SCENE)})
    found = of_treatments(given, claim(**DARKS, compare=compare, matters=1.5), "R")
    assert found.estimate.value == pytest.approx(expected)
    assert (found.scope, found.counted) == ("these frames", "patches")
    assert compare == "difference" or found.estimate.reach() < 1e-9


def test_a_treatment_that_changes_nothing_is_as_likely_as_can_be() -> None:
    given = stacks("no darks", {"noise": columns(R=SCENE)}, {"noise": columns(R=SCENE)})
    found = of_treatments(given, claim(**DARKS), "R").estimate
    assert (found.value, found.reach(), found.p(0.0)) == (0.0, 0.0, 1.0)


def test_signal_to_noise_is_of_the_whole_signal() -> None:
    """Patches of blank sky, whose signal is about zero, have no ratio of their own and do no harm."""
    signal = np.where(np.arange(M) < 12, 50.0, RNG.normal(0, 0.1, M))
    as_run = {"signal": columns(R=signal), "noise": columns(R=np.full(M, 2.0))}
    changed = {"signal": columns(R=0.9 * signal), "noise": columns(R=np.full(M, 1.5))}
    given = stacks("without the worst tenth", as_run, changed)
    asked = claim(of="without the worst tenth", against="as run", quantity="snr", planes=("R",))
    assert np.exp(of_treatments(given, asked, "R").estimate.value) == pytest.approx(1.2)


def test_no_signal_has_no_ratio() -> None:
    blank = {"signal": columns(R=-np.ones(M)), "noise": columns(R=np.ones(M))}
    asked = claim(of="without the worst tenth", against="as run", quantity="snr", planes=("R",))
    with pytest.raises(Untold, match="signal-to-noise ratio is not above zero on the patches"):
        of_treatments(stacks("without the worst tenth", blank, blank), asked, "R")


def test_shadows_are_what_both_greens_see() -> None:
    """Shadows of 5 per cent and an error of 5 per cent of each green: the square of what they share is left."""
    shadow = RNG.normal(0, 0.05, (400, 1))
    scene = np.exp(RNG.normal(0, 1, (400, 1)))
    noise = RNG.normal(0, 0.05, (400, 5))
    given = series(0, patches={"as run": {"signal": scene * np.ones((1, 5))},
                               "no flats": {"signal": scene * np.exp(shadow + noise)}})  # fmt: skip
    found = of_unevenness(given, claim(**FLATS)).estimate
    assert np.sqrt(found.value) == pytest.approx(0.05, rel=0.1)
    assert found.p(0.0) < 1e-3


def test_noise_alone_is_no_shadow() -> None:
    """Of 200 pairs of stacks without shadows, with errors larger than what matters, few show any at p < 0.05."""
    shown = 0
    for _ in range(200):
        as_run, changed = ({"signal": SCENE[:, None] * np.exp(RNG.normal(0, 0.05, (M, 5)))} for _ in range(2))
        found = of_unevenness(stacks("no flats", as_run, changed), claim(**FLATS)).estimate
        shown += found.value > 0 and found.p(0.0) < 0.05
    assert shown <= 10


def test_patches_without_the_object_tell_no_unevenness() -> None:
    signal = np.where(np.arange(M) < 18, 100.0, 0.1)[:, None] * np.ones((1, 5))
    wild = signal * np.where(np.arange(M) < 18, 1.0, RNG.uniform(0.1, 10, M))[:, None]
    found = of_unevenness(stacks("no flats", {"signal": signal}, {"signal": wild}), claim(**FLATS))
    assert (found.estimate.value, found.estimate.number) == (0.0, 18)


def test_few_patches_tell_nothing() -> None:
    few = {"noise": columns(R=np.ones(7))}
    with pytest.raises(Untold, match="7 patches of use found; at least 8"):
        of_treatments(stacks("no darks", few, few), claim(**DARKS), "R")
