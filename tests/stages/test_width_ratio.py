"""Ratios of widths over lights and nights."""

import numpy as np
import pytest

from fourlight.core.trials import mean_of_series
from fourlight.stages.width_ratio import METHOD, log_ratios, width_ratio
from fourlight.stages.widths import FrameWidths


def light(red, blue=1.0, green=3.0):
    """A light with these ratios."""
    width = green * np.array([red, 1.0, 1.0, blue, 1.0])
    return FrameWidths(width, 0.6 * width, np.ones(5), np.zeros(5), 1e-6 * np.eye(5), 3.0, 50)


def test_the_ratio_is_a_geometric_mean_with_the_interval_of_a_series():
    log = np.random.default_rng(1).normal(0.03, 0.01, 12)
    found = width_ratio([light(np.exp(part)) for part in log], "R")
    known = mean_of_series(log)
    assert found.trial.value == pytest.approx(np.exp(log.mean()))
    assert (found.frames, found.nights, found.scope) == (12, 1, "these frames")
    assert found.trial.error == pytest.approx(np.hypot(known.error, METHOD))
    assert found.trial.low < np.exp(known.low) < np.exp(known.high) < found.trial.high
    back = width_ratio([light(np.exp(part)) for part in log], "G", "R").trial
    assert (back.value, back.low) == pytest.approx((1 / found.trial.value, 1 / found.trial.high))


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
