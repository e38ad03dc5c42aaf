"""Effects between planes and over covariates: truth without noise, error against plain statistics."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from claim_series import claim, columns, series
from fourlight.core.estimates import estimate_of
from fourlight.core.trials import jackknife, trial_of
from fourlight.stages.claim_effects import of_planes, of_slope
from fourlight.stages.claim_lights import Untold
from fourlight.stages.series import Known

RNG = np.random.default_rng(1)
SHARE = {"quantity": "information", "compare": "share", "of": "G", "against": "R+G+B", "null": 0.1, "matters": 0.1,
         "direction": "less"}  # fmt: skip


def test_what_both_planes_share_drops_out_light_by_light() -> None:
    """Seeing that changes twofold, and a ratio of 1.05 in every light."""
    seeing = np.exp(RNG.normal(0, 0.7, 12))
    found = of_planes(series(values={"width_px": columns(R=2.1 * seeing, G=2 * seeing)}), claim())
    assert np.exp(found.estimate.value) == pytest.approx(1.05)
    assert found.estimate.reach() < 1e-9
    assert (found.scope, found.counted, found.estimate.number) == ("these frames", "lights", 12)


def test_information_is_added_up_before_it_is_compared() -> None:
    """A share is that of the sums: a light of a cloud counts as little as it brings."""
    red, green = np.array([10.0] * 11 + [0.1]), np.array([30.0] * 11 + [0.1])
    found = of_planes(series(values={"information": columns(R=red, G=green, B=10.0)}), claim(**SHARE))
    whole = green.sum() / (red + green + 10).sum()
    assert found.estimate.value == pytest.approx(whole, rel=0.01)


def test_the_error_of_a_share_is_that_of_the_jackknife() -> None:
    """Of independent lights; allowing for memory widens it by less than a half for 60 of them."""
    values = RNG.uniform(5, 15, (60, 5))
    found = of_planes(series(60, values={"information": values}), claim(**SHARE))
    kept = np.arange(60)

    def share(rows: np.ndarray) -> float:
        return values[rows, 4].sum() / values[rows][:, [0, 4, 3]].sum()

    known = jackknife(share(kept), [share(np.delete(kept, k)) for k in kept])
    assert found.estimate.value == pytest.approx(known.value, rel=1e-3)
    assert 0.97 < found.estimate.reach() / (known.high - known.value) < 1.5


def test_three_nights_speak_for_nights_like_these() -> None:
    level = np.array([0.0, 0.02, 0.04])
    ratio = np.exp(np.repeat(level, 8))
    found = of_planes(series(24, 3, values={"width_px": columns(R=ratio, G=1.0)}), claim())
    known = stats.ttest_1samp(level, 0.0)
    assert (found.scope, found.counted) == ("nights like these", "nights")
    assert found.estimate.value == pytest.approx(0.02)
    assert found.estimate.p(0.0) == pytest.approx(known.pvalue)


def test_a_share_is_that_of_all_lights_however_they_fall_into_nights() -> None:
    """Nights of 40, 40 and 3 lights: 0.589 of all, not the mean of nights, 0.500; three lights weigh as three."""
    night = np.repeat([0, 1, 2], [40, 40, 3])
    green = np.array([0.6, 0.6, 0.3])[night]
    given = series(83, values={"information": columns(R=(1 - green) / 2, G=green, B=(1 - green) / 2)})
    found = of_planes(replace(given, nights=tuple(f"2031-08-{10 + k}" for k in night)), claim(**SHARE))
    assert found.scope == "nights like these"
    assert found.estimate.value == pytest.approx(green.mean(), abs=1e-9)
    assert found.estimate.value == pytest.approx(0.589, abs=0.001)


def test_lights_of_no_night_and_short_nights_speak_for_no_others() -> None:
    """Two nights of ten, one of two lights, and five undated lights: two nights."""
    night = np.repeat(["2031-08-10", "2031-08-11", "2031-08-12", ""], [10, 10, 2, 5])
    given = series(27, values={"width_px": columns(R=np.exp(RNG.normal(0, 0.1, 27)), G=1.0)})
    found = of_planes(replace(given, nights=tuple(night.tolist())), claim())
    assert (found.scope, found.estimate.number) == ("these frames", 27)
    with pytest.raises(Untold, match="2 nights of 3 lights or more found; at least 3"):
        of_planes(replace(given, nights=tuple(night.tolist())), claim(least_nights=3))


def test_what_is_told_elsewhere_of_all_lights_is_told_here() -> None:
    """Value and interval, whatever single lights say; of some of the lights they alone."""
    trial = trial_of(0.04, 0.01, 12.0)
    known = {("width_px", "ratio", "R", "G"): Known(estimate_of(trial, 24), "these frames")}
    given = series(24, 2, values={"width_px": columns(R=np.full(24, 1.2), G=1.0)}, known=known)
    found = of_planes(given, claim())
    assert found.estimate.value - found.estimate.reach() == pytest.approx(trial.low)
    assert (found.estimate.value, found.counted, found.scope) == (0.04, "lights", "these frames")
    assert np.exp(of_planes(given, claim(among="first night")).estimate.value) == pytest.approx(1.2)
    with pytest.raises(Untold, match="3 nights of 3 lights or more are needed"):
        of_planes(given, claim(least_nights=3))


@pytest.mark.parametrize(("null", "side"), [(0.1, 0.05), (0.4, 0.1)])
def test_an_uneven_interval_is_told_as_it_is_and_judges_on_the_side_of_the_null(
    null: float, side: float
) -> None:
    """0.20 (0.15 to 0.30): a null one half width away has a p of 0.05 on either side, others that of Student's t."""
    trial = replace(trial_of(0.2, 0.03, 22.0), low=0.15, high=0.3)
    found = estimate_of(trial, 24)
    told = found.trial(null)
    assert (told.low, told.high) == (pytest.approx(0.15), pytest.approx(0.3))
    assert found.p(0.15) == pytest.approx(0.05)
    assert found.p(0.3) == pytest.approx(0.05)
    error = side / stats.t.ppf(0.975, 22)
    assert found.p(null) == pytest.approx(2 * stats.t.sf(abs(null - 0.2) / error, 22))
    assert told.error == pytest.approx(error)


def test_what_is_told_elsewhere_keeps_the_tails_of_unknown_memory() -> None:
    """Same value and interval as told; a p far out is as much larger than that of Student's t as lights have it."""
    information = RNG.uniform(5, 15, (24, 5))
    alone = of_planes(series(24, values={"information": information}), claim(**SHARE)).estimate
    trial = trial_of(0.3, 0.02, 22.0)
    key = ("information", "share", "G", "R+G+B")
    given = series(24, values={"information": information},
                   known={key: Known(estimate_of(trial, 24), "these frames", memory=True)})  # fmt: skip
    found = of_planes(given, claim(**SHARE)).estimate
    assert (found.value, found.reach()) == (pytest.approx(0.3), pytest.approx(trial.high - 0.3))
    far = 2.0
    assert found.p(0.3 + far * found.reach()) == pytest.approx(alone.p(alone.value + far * alone.reach()))
    assert found.p(0.3 + far * found.reach()) > 2 * estimate_of(trial, 24).p(0.3 + far * found.reach())


def test_the_doubt_about_a_ratio_of_widths_is_counted_once() -> None:
    """Plane by plane it is that of the method over root two."""
    from fourlight.pipeline.light_series import METHOD, _common

    nothing = SimpleNamespace(names=())
    common = _common(None, nothing)
    given = series(values={"width_px": columns(R=np.full(12, 1.2), B=1.0)}, common=common)
    found = of_planes(given, claim(against="B"))
    assert found.estimate.errors == pytest.approx((METHOD,))


def test_two_nights_speak_for_themselves() -> None:
    """Their own levels are no error of what is said of these frames."""
    ratio = np.exp(np.repeat([0.0, 0.5], 10) + RNG.normal(0, 0.001, 20))
    found = of_planes(series(20, 2, values={"width_px": columns(R=ratio, G=1.0)}), claim())
    assert found.scope == "these frames"
    assert found.estimate.value == pytest.approx(0.25, abs=0.002)
    assert found.estimate.reach() < 0.01


@pytest.mark.parametrize(
    ("changes", "errors", "expected"),
    [
        # d(share of G)/d(ln x): G s(1-s), R and B -s r: by hand for information 1, 2, 1
        (SHARE, {"G": 0.1}, 0.5 * 0.5 * 0.1),
        (SHARE, {"R": 0.1}, 0.5 * 0.25 * 0.1),
        ({**SHARE, "of": "G1", "against": "R+G1+G2+B"}, {"G2": 0.1}, 0.25 * 0.25 * 0.1),
        # G1 in R + G1 + G2 of 1 each: s(1-s) for itself, s^2 for the others, however G is written
        ({**SHARE, "of": "G1", "against": "R+G"}, {"G1": 0.1, "G2": 0.1, "G": 0.0707}, 0.1 * 5**0.5 / 9),
        ({**SHARE, "of": "G1", "against": "R+G1+G2"}, {"G1": 0.1, "G2": 0.1}, 0.1 * 5**0.5 / 9),
        # the logarithm of G1 / (G1 + G2): half the difference of both
        ({"quantity": "information", "of": "G1"}, {"G1": 0.03, "G2": 0.04, "G": 0.025}, 0.025),
        ({"quantity": "information"}, {"R": 0.03, "G": 0.04}, 0.05),
        # what is on both sides of a difference cancels
        (
            {"quantity": "information", "compare": "difference", "of": "R+G", "against": "G+B"},
            {"R": 0.3, "G": 0.2},
            0.3,
        ),
        ({"quantity": "information", "compare": "difference"}, {"R": 0.3, "G": 0.2}, 0.5),
    ],
)
def test_errors_that_lights_have_in_common_widen(changes: dict, errors: dict, expected: float) -> None:
    values = columns(R=np.ones(12), G1=1.0, G2=1.0, B=1.0, G=2.0)
    common = np.nan_to_num(columns(**errors)[0])
    given = series(values={"information": values}, common={"information": common})
    found = of_planes(given, claim(**changes))
    assert found.estimate.errors == pytest.approx((expected,))


def test_among_picks_the_lights() -> None:
    ratio = np.where(np.arange(24) < 12, 1.5, 1.0)
    given = series(24, 2, values={"width_px": columns(R=ratio, G=1.0)})
    found = of_planes(given, claim(among="first night"))
    assert np.exp(found.estimate.value) == pytest.approx(1.5)


@pytest.mark.parametrize(
    ("values", "changes", "said"),
    [
        (columns(R=np.where(np.arange(12) < 5, np.nan, 1.0), G=1.0), {}, "7 lights of use found; at least 8"),
        (
            columns(R=np.ones(12), G=1.0),
            {"least_nights": 2},
            "1 nights of 3 lights or more found; at least 2",
        ),
    ],
)
def test_what_is_too_little(values: np.ndarray, changes: dict, said: str) -> None:
    with pytest.raises(Untold, match=said):
        of_planes(series(values={"width_px": values}), claim(**changes))


def test_information_below_zero_has_no_ratio() -> None:
    with pytest.raises(Untold, match="information is not above zero"):
        of_planes(
            series(values={"information": columns(R=-np.ones(12), G=1.0)}), claim(quantity="information")
        )


SLOPE = {
    "quantity": "noise",
    "compare": "slope",
    "of": "all lights",
    "against": "",
    "over": "temperature",
    "step": 10,
}


def test_a_slope_is_that_of_least_squares_for_one_step() -> None:
    warm = np.linspace(0, 20, 40)
    noise = np.exp(0.01 * warm + RNG.normal(0, 0.05, 40))
    given = series(40, temperature_c=warm, values={"noise": columns(R=noise)})
    found = of_slope(given, claim(**SLOPE), "R")
    known = stats.linregress(warm / 10, np.log(noise))
    assert found.estimate.value == pytest.approx(known.slope)
    assert 0.9 < found.estimate.reach() / (known.stderr * stats.t.ppf(0.975, 38)) < 2.5


def test_what_else_changed_is_allowed_for() -> None:
    """The sky brightens as the sensor warms: at equal sky nothing is left of the rise."""
    warm = np.linspace(0, 20, 40)
    sky = np.exp(0.05 * warm + RNG.normal(0, 0.3, 40))
    given = series(40, temperature_c=warm, values={"noise": columns(R=np.sqrt(sky)), "sky": columns(R=sky)})
    assert of_slope(given, claim(**SLOPE), "R").estimate.value > 0.1
    equal = of_slope(given, claim(**SLOPE, at_equal=("sky",)), "R").estimate
    assert equal.value == pytest.approx(0.0, abs=1e-9)


def test_slopes_of_three_nights_speak_for_nights() -> None:
    warm = np.tile(np.linspace(0, 20, 12), 3)
    each = np.repeat([0.1, 0.2, 0.3], 12)
    given = series(36, 3, temperature_c=warm, values={"noise": columns(R=np.exp(each * warm / 10))})
    found = of_slope(given, claim(**SLOPE), "R")
    assert found.scope == "nights like these"
    assert found.estimate.p(0.0) == pytest.approx(stats.ttest_1samp([0.1, 0.2, 0.3], 0.0).pvalue)


def test_lights_of_no_date_are_no_night_of_slopes() -> None:
    """Two nights and twelve undated lights speak for these frames, and are no three nights."""
    warm = np.tile(np.linspace(0, 20, 12), 3)
    noise = np.exp(np.repeat([0.1, 0.2, 0.3], 12) * warm / 10)
    given = series(36, 3, temperature_c=warm, values={"noise": columns(R=noise)})
    given = replace(given, nights=tuple(np.repeat(["2031-08-10", "2031-08-11", ""], 12).tolist()))
    assert of_slope(given, claim(**SLOPE), "R").scope == "these frames"
    with pytest.raises(Untold, match="2 nights in which temperature changes found; at least 3"):
        of_slope(given, claim(**SLOPE, least_nights=3), "R")


def test_a_slope_over_what_never_changes_is_not_told() -> None:
    with pytest.raises(Untold, match="temperature is the same for all lights"):
        of_slope(series(values={"noise": columns(R=np.ones(12))}), claim(**SLOPE), "R")
