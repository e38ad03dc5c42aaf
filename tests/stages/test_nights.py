"""What counts as a night, and how often intervals over nights hold the truth of series that are known."""

import numpy as np
import pytest

from fourlight.core.trials import jackknife
from fourlight.stages.nights import left_out, parts_of

SETS = 1500


def named(*sizes):
    """Names of lights of so many nights, in order; None: undated."""
    return [name for k, size in enumerate(sizes) for name in [f"2031-08-{k + 1:02d}"] * size]


def mean_of(values, held=None):
    held = np.ones(len(values)) if held is None else held

    def estimate(use):
        return np.array([[np.average(values[use], weights=held[use]) if held[use].any() else np.nan]])

    return held[:, None, None], estimate


def covered(sizes, undated=0, absent=(), light=1.0, seed=1, weights=None):
    """Share of intervals that hold 0, of lights with the scatter of a night, of 1, and of single lights beside it."""
    names = [*named(*sizes), *[None] * undated]
    night = np.array([*np.repeat(np.arange(len(sizes)), sizes), *[len(sizes)] * undated])
    held = np.where(np.isin(night, absent), 0.0, 1.0 if weights is None else np.take(weights, night))
    rng, inside, freedom = np.random.default_rng(seed), 0, set()
    for _ in range(SETS):
        values = rng.normal(size=len(sizes) + 1)[night] + light * rng.normal(size=len(names))
        trial = left_out(names, *mean_of(values, held))[0][0]
        inside += trial.low <= 0 <= trial.high
        freedom.add(trial.freedom)
    assert len(freedom) == 1
    return inside / SETS, freedom.pop()


@pytest.mark.parametrize(
    ("given", "nights"),
    [
        ({"sizes": (12, 12, 12)}, 3),
        ({"sizes": (40, 40, 4)}, 3),
        ({"sizes": (20, 10, 5)}, 3),
        ({"sizes": (40, 40, 40, 3)}, 4),
        ({"sizes": (12,) * 6}, 6),
        ({"sizes": (12, 12, 12, 1, 2)}, 3),
        ({"sizes": (12, 12, 12), "undated": 36}, 3),
        ({"sizes": (12, 12, 12, 12, 12), "absent": (0, 3)}, 3),
        ({"sizes": (12, 12, 12), "weights": (1.0, 0.3, 0.3, 1.0)}, 3),
    ],
    ids=str,
)
def test_intervals_over_nights_hold_the_truth(given, nights):
    """95 %, known to 0.6 of 1500 sets; not over 97 where nights are unequal, which would be intervals of no use."""
    share, freedom = covered(**given)
    assert freedom == nights - 1
    assert 0.93 <= share <= 0.975


def test_neither_jackknife_of_the_books_holds_the_truth_of_unequal_nights():
    """Why neither is used: 40, 40 and 4 lights as equal parts, and by Busing et al. 1999 (formula from memory)."""
    rng, sizes = np.random.default_rng(2), np.array([40, 40, 4])
    share, inside = sizes / sizes.sum(), np.zeros(2)
    for _ in range(SETS):
        nights = rng.normal(size=3)
        whole = nights @ share
        left = (whole - share * nights) / (1 - share)
        plain = jackknife(whole, left)
        alone, h = whole / share - (1 / share - 1) * left, 1 / share
        middle = 3 * whole - ((1 - share) * left).sum()
        error = np.sqrt(((alone - middle) ** 2 / (h - 1)).mean())
        inside += [plain.low <= 0 <= plain.high, abs(whole) <= 4.3027 * error]
    assert (inside / SETS < 0.925).all()


def test_a_night_needs_three_dated_lights_that_hold_the_value():
    names = [*named(3, 2, 4), None, None, None]
    parts = parts_of(names)
    assert [night.nonzero()[0].tolist() for night in parts.nights] == [[0, 1, 2], [5, 6, 7, 8]]
    assert parts.share == pytest.approx([3 / 12, 4 / 12])
    assert parts.rest == pytest.approx([2 / 12, 3 / 12]), "undated lights may be of one night"
    assert parts.scope == "these frames"
    held = np.ones(12)
    held[0] = 0
    assert len(parts_of(names, held).nights) == 1
    held[0] = np.nan
    assert len(parts_of(names, held).nights) == 1
    assert parts_of(named(3, 3, 3)).scope == "nights like these"
    assert parts_of([None] * 9).scope == "these frames"
    assert parts_of(named(3, 3, 3), [1, 1, 1, 1, 1, 1, 1, 0, 1]).scope == "these frames"
    assert parts_of([]).scope == parts_of(named(3), np.zeros(3)).scope == "these frames"


def test_lights_of_no_night_stay_in_the_value_and_widen_the_interval():
    rng = np.random.default_rng(3)
    values = np.repeat([1.0, 2.0, 4.0], 5)
    alone = left_out(named(5, 5, 5), *mean_of(values))[0][0]
    more = np.concatenate([values, rng.normal(3, 0.1, 30)])
    found = left_out([*named(5, 5, 5), *[None] * 30], *mean_of(more))[0][0]
    assert found.value == pytest.approx(more.mean())
    assert found.freedom == alone.freedom == 2
    spread = np.std([1.0, 2.0, 4.0], ddof=1)
    assert alone.error == pytest.approx(spread / np.sqrt(3))
    assert found.error == pytest.approx(spread * np.sqrt(3 * (1 / 9) ** 2 + (2 / 3) ** 2))


def test_values_are_judged_one_by_one():
    """One that all nights hold beside one that two of them hold."""
    names, rng = named(5, 5, 5), np.random.default_rng(4)
    values = rng.normal(size=(15, 2)) + np.repeat([0.0, 3.0, 6.0], 5)[:, None]
    held = np.ones((15, 1, 2))
    held[:5, :, 1] = 0

    def estimate(use):
        weight = held[use, 0]
        with np.errstate(invalid="ignore"):
            return (weight * values[use]).sum(axis=0, keepdims=True) / weight.sum(axis=0)

    (first, second), *_ = left_out(names, held, estimate)
    assert first.freedom == 2
    assert second.freedom > 2, "by lights"
    assert second.value == pytest.approx(values[5:, 1].mean())
    again = left_out(names[5:], *mean_of(values[5:, 1]))[0][0]
    assert (second.low, second.high) == pytest.approx((again.low, again.high)), (
        "lights without it add no freedom"
    )


@pytest.mark.parametrize("count", [0, 1])
def test_of_no_light_or_one_nothing_is_told(count):
    values = np.arange(3.0)
    held = (np.arange(3) < count).astype(float)
    trial = left_out(named(3), *mean_of(values, held))[0][0]
    assert np.isnan(trial.value) == (count == 0)
    assert np.isnan(trial.p)
    assert (trial.low, trial.high) == (-np.inf, np.inf)
