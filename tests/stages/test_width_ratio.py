"""Ratios of widths over lights and nights."""

import numpy as np
import pytest
from scipy import stats

from fourlight.stages.width_ratio import log_ratios, width_ratio
from fourlight.stages.widths import FrameWidths


def light(red, blue=1.0, green=3.0, error=1e-3):
    """A light with these ratios."""
    width = green * np.array([red, 1.0, 1.0, blue, 1.0])
    return FrameWidths(width, 0.6 * width, np.ones(5), np.zeros(5), 0.5 * error**2 * np.eye(5), 3.0, 50)


def test_the_ratio_is_a_geometric_mean_with_its_error():
    """Of lights that differ by chance alone, the interval is that of scipy but for doubts: at most half wider."""
    log = np.random.default_rng(1).normal(0.03, 0.01, 24)
    found = width_ratio([light(np.exp(part)) for part in log], "R")
    known = stats.ttest_1samp(log, 0.0).confidence_interval(0.95)
    assert found.trial.value == pytest.approx(np.exp(log.mean()))
    assert (found.frames, found.nights, found.scope) == (24, 0, "these frames"), "no date, no night"
    width = np.log(found.trial.high / found.trial.low)
    assert 0.7 < width / (known.high - known.low) < 1.5
    back = width_ratio([light(np.exp(part)) for part in log], "G", "R").trial
    assert (back.value, back.low) == pytest.approx((1 / found.trial.value, 1 / found.trial.high))


def test_intervals_of_these_lights_hold_their_mean():
    """Ratios that really change from light to light, slowly, measured to 0.3 per cent."""
    rng, inside = np.random.default_rng(3), 0
    for _ in range(400):
        true = 0.04 + 0.02 * np.sin(np.linspace(0, rng.uniform(1, 6), 12) + rng.uniform(0, 6))
        found = width_ratio(
            [light(np.exp(part + rng.normal(0, 0.003)), error=0.003) for part in true], "R"
        ).trial
        assert found.p < 0.05
        inside += found.low <= np.exp(true.mean()) <= found.high
    # 95 per cent or more: the doubt about the method is in it, too
    assert inside >= 0.95 * 400


def test_errors_that_lights_share_are_added():
    """Not dithered: all lights wrong by the same per cent, and their stars say so."""
    lights = [light(1.01 + 1e-4 * (k % 2), error=0.01) for k in range(12)]
    assert width_ratio(lights, "R").trial.error > 0.01
    honest = [light(1.01 + 0.01 * (-1) ** k, error=0.01) for k in range(12)]
    assert width_ratio(honest, "R").trial.error < 0.006


def test_three_nights_speak_of_nights():
    rng = np.random.default_rng(2)
    of_night = np.repeat([0.0, 0.02, 0.05], 8)
    lights = [light(np.exp(part + rng.normal(0, 1e-3))) for part in of_night]
    names = np.repeat(["a", "b", "c"], 8).tolist()
    found = width_ratio(lights, "R", nights=names)
    assert (found.scope, found.nights) == ("nights like these", 3)
    assert found.trial.error == pytest.approx(np.std([0.0, 0.02, 0.05], ddof=1) / np.sqrt(3), rel=0.05)
    assert found.trial.p > 0.05
    assert width_ratio(lights[:16], "R", nights=names[:16]).scope == "these frames"


def test_lights_without_a_width_are_left_out():
    lights = [light(1.02), light(np.nan), light(1.02), light(1.02)]
    assert np.isnan(log_ratios(lights, "R")).tolist() == [False, True, False, False]
    assert width_ratio(lights, "R").frames == 3
    nothing = width_ratio([light(np.nan)], "R")
    assert nothing.frames == 0
    assert np.isnan(nothing.trial.value)
    assert np.isnan(nothing.trial.p)


def test_many_like_lights_are_not_surer_than_the_method():
    lights = [light(1.0005 + 1e-5 * (k % 2)) for k in range(400)]
    assert width_ratio(lights, "R").trial.p > 0.05
