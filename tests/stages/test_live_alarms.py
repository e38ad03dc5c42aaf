"""Alarms of a night: hardly any where nothing happens, and one where something does."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from scipy import stats

from fourlight.stages.live_alarms import Alarm, Watchman, line

SUBS = 300


def red(rng: np.random.Generator, sigma: float, shared: float, count: int = SUBS) -> np.ndarray:
    """Numbers whose neighbours are alike: autoregressive of the first order, of standard deviation ``sigma``."""
    out = rng.normal(0, sigma, count)
    for k in range(1, count):
        out[k] = shared * out[k - 1] + np.sqrt(1 - shared**2) * out[k]
    return out


def night(seed: int, shared: float, seeing: float = 0.06) -> dict[str, np.ndarray]:
    """A quiet night: the seeing wanders, the target sinks a little."""
    rng = np.random.default_rng(seed)
    air = np.linspace(0, 0.02, SUBS)
    return {
        "transparency": np.exp(red(rng, 0.015, shared) - air),
        "sky": 12.0 * np.exp(red(rng, 0.01, shared) + air),
        "fwhm_px": 2.5 * np.exp(red(rng, seeing, shared)),
        "elongation": 1.08 * np.exp(red(rng, 0.02, 0.0)),
    }


def watched(values: dict[str, np.ndarray], step_s: float = 30.0) -> list[Alarm]:
    man = Watchman()
    for k in range(len(values["sky"])):
        man.add(step_s * k, {name: float(part[k]) for name, part in values.items()})
    return man.alarms


@pytest.mark.slow
@pytest.mark.parametrize(("shared", "most"), [(0.0, 0.1), (0.8, 0.3), (0.95, 0.6)])
def test_quiet_nights_are_quiet(shared: float, most: float) -> None:
    """False alarms for a night, over 12 nights of 300 subs; docs/watch.md says how many there are over more nights."""
    raised = Counter(alarm.quantity for seed in range(12) for alarm in watched(night(seed, shared)))
    assert raised.total() / 12 <= most, raised


@pytest.mark.parametrize("seed", range(4))
def test_a_cloud_is_seen_and_passes(seed: int) -> None:
    values = night(seed, 0.5)
    values["transparency"][200:220] *= 0.6
    values["sky"][200:220] *= 1.4
    found = [alarm for alarm in watched(values) if not alarm.drift]
    assert {alarm.quantity for alarm in found} == {"transparency", "sky"}
    for alarm in found:
        assert 200 <= alarm.since <= 202
        assert alarm.until == 220
    ratio = next(alarm.ratio for alarm in found if alarm.quantity == "transparency")
    assert ratio == pytest.approx(0.6, abs=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_focus_that_drifts_is_seen(seed: int) -> None:
    """Stars that widen by a half in 120 subs: seen before two thirds have come, a third wider."""
    values = night(seed, 0.5)
    values["fwhm_px"] *= np.interp(np.arange(SUBS), [150, 270], [1.0, 1.5])
    found = [alarm for alarm in watched(values) if alarm.quantity == "fwhm_px"]
    assert found
    assert 150 < min(alarm.raised for alarm in found) <= 230


@pytest.mark.parametrize("seed", range(4))
def test_trailing_is_seen(seed: int) -> None:
    values = night(seed, 0.5)
    values["elongation"][150:] *= 1.4
    found = [alarm for alarm in watched(values) if not alarm.drift]
    assert {alarm.quantity for alarm in found} == {"elongation"}
    assert found[0].since == 150
    assert found[0].until is None


def test_one_bad_sub_is_no_alarm() -> None:
    values = night(5, 0.0)
    values["elongation"][150] *= 2
    values["transparency"][200] *= 0.3
    assert not watched(values)


def test_what_costs_next_to_nothing_is_no_alarm() -> None:
    """Starlight falls by 2 %, twenty times the scatter."""
    rng = np.random.default_rng(6)
    values = night(6, 0.0)
    values["transparency"] = np.exp(rng.normal(0, 0.001, SUBS))
    values["transparency"][200:] *= 0.98
    assert not [alarm for alarm in watched(values) if alarm.quantity == "transparency"]


def test_the_limit_goes_with_the_scatter_of_the_night() -> None:
    """The same fall of a fifth is an alarm in a steady night, and none where subs scatter by an eighth."""
    found = []
    for sigma in (0.01, 0.12):
        rng = np.random.default_rng(7)
        values = night(7, 0.0)
        values["transparency"] = np.exp(rng.normal(0, sigma, SUBS))
        values["transparency"][200:210] *= 0.8
        found.append(bool([alarm for alarm in watched(values) if alarm.quantity == "transparency"]))
    assert found == [True, False]


@pytest.mark.parametrize("gap", [[], [30], [70], [70, 71, 72], list(range(1, 80, 2))])
def test_a_cloud_after_subs_that_were_not_measured_is_seen_as_without_them(gap: list[int]) -> None:
    """Starlight falls to 40 % at sub 80: two subs of it raise an alarm."""
    light = np.exp(np.random.default_rng(10).normal(0, 0.01, 100))
    light[80:] *= 0.4
    light[gap] = np.nan
    (alarm,) = starlight(light).alarms
    assert (alarm.raised, alarm.since, alarm.until) == (81, 80, None)


def test_subs_that_were_not_measured_neither_end_nor_begin_an_alarm() -> None:
    """A cloud of ten subs, the last six so thick that no star was measured: it is over with the first clear ones."""
    light = np.exp(np.random.default_rng(10).normal(0, 0.01, 100))
    light[80:84] *= 0.4
    light[84:90] = np.nan
    for end, until in ((90, None), (92, None), (93, 90)):
        (alarm,) = starlight(light[:end]).alarms
        assert (alarm.raised, alarm.since, alarm.until) == (81, 80, until)
    # of two dim subs with unmeasured ones between, the second raises it
    light[80], light[81:90], light[[84, 88]] = light[79], np.nan, 0.4
    (alarm,) = starlight(light).alarms
    assert (alarm.raised, alarm.since, alarm.until) == (88, 84, 90)


def starlight(light: np.ndarray) -> Watchman:
    """Who has seen nights of which only starlight is known."""
    man = Watchman()
    for k, value in enumerate(light):
        man.add(30.0 * k, {"transparency": float(value)})
    return man


def test_subs_of_which_one_quantity_is_missing_raise_nothing() -> None:
    man = Watchman()
    for k in range(60):
        man.add(10.0 * k, {"sky": float("nan")} if k % 2 else {"sky": 5.0, "fwhm_px": 2.0})
    assert not man.alarms


def test_a_line_without_red_noise_is_that_of_scipy() -> None:
    """scipy.stats.linregress, where neighbours have nothing in common: white noise, and slope and error of it."""
    rng = np.random.default_rng(8)
    x = np.arange(400.0)
    y = 0.3 * x + rng.normal(0, 5, 400)
    slope, error, free, scatter = line(x, y)
    known = stats.linregress(x, y)
    assert slope == pytest.approx(known.slope)
    assert error == pytest.approx(known.stderr, rel=0.1)
    assert free > 300
    assert scatter == pytest.approx(5, rel=0.1)


def test_red_noise_widens_the_error_of_a_slope() -> None:
    """Slopes of 400 lines through red noise scatter as their errors say, to a fifth; without the correction they would
    scatter three times as much (ratio of variances (1 + r) / (1 - r) = 9 for r = 0.8)."""
    rng = np.random.default_rng(9)
    x = np.arange(200.0)
    told = np.array([line(x, red(rng, 1.0, 0.8, 200))[:2] for _ in range(400)])
    assert told[:, 0].std() / np.median(told[:, 1]) == pytest.approx(1, abs=0.2)
