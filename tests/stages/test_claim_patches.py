"""Treatments patch by patch: truth without noise, what patches share, what noise may not pass for."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from claim_series import claim, columns, series
from fourlight.stages.claim_lights import Untold
from fourlight.stages.claim_patches import of_treatments, of_unevenness, unevenness
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


def shadowed(m: int, shadow: float, noise: float) -> Series:
    """Both greens under the same shadows, each with noise of its own."""
    scene = np.exp(RNG.normal(0, 1, (m, 1)))
    changed = scene * np.exp(RNG.normal(0, shadow, (m, 1)) + RNG.normal(0, noise, (m, 5)))
    return series(0, patches={"as run": {"signal": scene * np.ones((1, 5))}, "no flats": {"signal": changed}})


@pytest.mark.parametrize(("shadow", "noise"), [(0.05, 0.05), (0.1, 0.01), (0.3, 0.02)])
def test_shadows_are_what_both_greens_see(shadow: float, noise: float) -> None:
    """To a fifth, four standard errors of 400 patches where noise and shadows are alike, and by the covariance."""
    given = shadowed(400, shadow, noise)
    found = of_unevenness(given, claim(**FLATS))
    size = unevenness(found.estimate.value, found.noise)
    assert size == pytest.approx(shadow, rel=0.2)
    logs = np.log(given.patches["no flats"]["signal"] / given.patches["as run"]["signal"])[:, 1:3]
    assert size == pytest.approx(np.sqrt(np.cov(logs.T)[0, 1]), rel=0.02)
    assert found.noise == pytest.approx(noise, rel=0.2)


def test_the_test_for_shadows_is_that_of_the_correlation() -> None:
    """Pitman and Morgan: in normal values, variances of sum and difference are equal where there is no correlation.

    Against scipy's test of the correlation coefficient, without and with a weak one: over many stacks the two agree.
    """
    ours, scipys = [], []
    for k in range(60):
        given = shadowed(200, 0.01 * (k % 3), 0.05)
        logs = np.log(given.patches["no flats"]["signal"] / given.patches["as run"]["signal"])[:, 1:3]
        found = of_unevenness(given, claim(**FLATS)).estimate
        ours.append(found.value / np.min(found.errors))
        scipys.append(np.arctanh(stats.pearsonr(*logs.T).statistic) * np.sqrt(197))
    assert np.corrcoef(ours, scipys)[0, 1] > 0.98
    assert np.polyfit(scipys, ours, 1)[0] == pytest.approx(1.0, abs=0.15)


def test_strong_shadows_are_told_from_few_patches() -> None:
    found = of_unevenness(shadowed(16, 0.2, 0.01), claim(**FLATS)).estimate
    assert found.p(0.0) < 0.05


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
    with pytest.raises(
        Untold, match="7 of the 7 have samples all over them, and 8 must; more lights, dithered, would"
    ):
        of_treatments(stacks("no darks", few, few), claim(**DARKS), "R")


def test_patches_that_hold_no_values_tell_nothing() -> None:
    none = {"signal": np.full((M, 5), np.nan), "noise": np.full((M, 5), np.nan)}
    for quantity in ("snr", "signal", "noise"):
        with pytest.raises(Untold, match=f"none of the {M} has "):
            of_treatments(stacks("no darks", none, none), claim(**{**DARKS, "quantity": quantity}), "R")
    with pytest.raises(Untold, match=f"none of the {M} has "):
        of_unevenness(stacks("no flats", none, none), claim(**FLATS))
