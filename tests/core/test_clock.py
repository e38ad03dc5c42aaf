"""Subs laid out on the clock: nothing is lost, shares hold, every cost is paid where it is due."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fourlight.core.clock import laid_out, round_that_fits

FREE = np.array([0.0, 0.0, 1e9, 0.0, 0.0])


def by_hand(span, sub, goal, costs, every, after_change):
    """The same in plain words, sub by sub."""
    now, focused, current, ends, which = 0.0, -np.inf, None, [], []
    done, turn, closed = [0.0] * len(sub), 1, set()
    while turn < 10_000:
        for i in range(len(sub)):
            while i not in closed and done[i] + sub[i] / 2 < turn * goal[i]:
                start, sharp = now, focused
                changed = current is not None and current != i
                now += costs[0] if changed else 0.0
                if now - focused >= costs[2] or (changed and after_change):
                    now += costs[1]
                    focused = now
                now += sub[i] + costs[3]
                if now > span:
                    now, focused = start, sharp
                    closed.add(i)
                    if len(closed) == len(sub):
                        return ends, which
                    break
                ends.append(now)
                which.append(i)
                done[i] += sub[i]
                current = i
                if len(ends) % every == 0:
                    now += costs[4]
        turn += 1
    raise AssertionError("it never ends")


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(20, 400), min_size=1, max_size=4), st.floats(2000, 20000), st.floats(300, 9000),
    st.tuples(st.floats(0, 60), st.floats(0, 300), st.floats(600, 5000), st.floats(0, 20), st.floats(0, 30)),
    st.integers(1, 4), st.booleans(),
)  # fmt: skip
def test_it_is_what_comes_out_by_hand(sub, span, round_s, costs, every, after_change):
    subs, share = np.array(sub), np.arange(1.0, len(sub) + 1)
    ends, which, spent = laid_out(
        span, subs, share, round_s, np.array(costs), dither_every=every, refocus_after_change=after_change
    )
    wanted, filters = by_hand(span, sub, round_s * share / share.sum(), costs, every, after_change)
    assert ends == pytest.approx(wanted)
    assert which.tolist() == filters
    for k in range(len(sub)):
        assert spent[k] == pytest.approx(subs[k] * filters.count(k))
    # Light, reading out, changes and refocus fill the time up to the last sub, but for the move after it.
    last = wanted[-1] if wanted else 0.0
    moved = costs[4] if len(wanted) % every == 0 and wanted else 0.0
    assert spent.sum() == pytest.approx(last + moved)


def test_shares_hold_over_many_rounds():
    _, _, spent = laid_out(200_000.0, np.array([60.0, 100.0, 45.0]), np.array([3.0, 1.0, 2.0]), 1800.0, FREE)
    assert spent[:3] / spent[:3].sum() == pytest.approx([0.5, 1 / 6, 1 / 3], abs=0.005)


def test_one_round_fills_the_time_with_every_filter_once():
    costs = np.array([15.0, 120.0, 3600.0, 3.0, 10.0])
    subs, share = np.array([180.0, 180.0]), np.ones(2)
    round_s = round_that_fits(20_000.0, subs, share, costs)
    _, which, spent = laid_out(20_000.0, subs, share, round_s, costs)
    half = len(which) // 2
    assert set(which[: half - 1]) == {0}
    assert set(which[half + 1 : -1]) == {1}
    assert spent[0] == pytest.approx(spent[1], abs=180.0)
    assert spent.sum() > 20_000 - 193 - 135, "but for one sub, with a change and a refocus before it"


def test_a_sub_that_would_not_end_in_time_is_left_out():
    ends, _, _ = laid_out(299.0, np.array([100.0]), np.ones(1), 1e6, FREE)
    assert ends.tolist() == [100.0, 200.0]
    assert laid_out(99.0, np.array([100.0]), np.ones(1), 1e6, FREE)[0].size == 0


def test_time_that_is_too_short_for_one_filter_goes_to_another():
    """Rounds of 600 s and 600 s; after three of them 590 s are left, in which nine subs of 60 s end."""
    ends, which, spent = laid_out(4190.0, np.array([600.0, 60.0]), np.ones(2), 1200.0, FREE)
    assert spent[:2].tolist() == [1800.0, 1800.0 + 540.0]
    assert ends[-1] == 4140.0
    assert set(which[-9:]) == {1}
    spent = laid_out(4190.0, np.array([600.0, 60.0]), np.array([1.0, 0.0]), 600.0, FREE)[2]
    assert spent[:2].tolist() == [3600.0, 0.0], "none through a filter that is to get no light"
