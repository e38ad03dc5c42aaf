"""The choice of drops: holes counted against real coverage, figures of the plan, undithered and few frames."""

import numpy as np
import pytest

from fields import frame_table, stacked, turned
from fourlight.stages.dropsize import CHOICES, PITCH, choose_pixfrac, span_px, uneven_share

SHAPE = (200, 220)


def table_of(count, shift=8.0, turn=0.2, seed=1):
    rng = np.random.default_rng(seed)
    matrices = [
        turned(rng.normal(0, turn), 1, tuple(rng.uniform(-shift, shift, 2)), (110, 100)) for _ in range(count)
    ]
    return frame_table(np.array(matrices), SHAPE, noise=np.full(4, 5.0), level=100.0)


@pytest.mark.parametrize(("count", "pixfrac"), [(6, 1.0), (12, 0.6), (24, 0.6)])
def test_holes_are_those_of_the_stack(count, pixfrac):
    table = table_of(count)
    images = np.full((count, *SHAPE), 100.0, dtype=np.float32)
    layers, _ = stacked(images, table, pixfrac)
    weight = layers["R"]["samples"][60:140, 60:160]
    share = uneven_share(table, pixfrac)
    # with equal weights samples = (sum a)^2 / sum a = coverage
    assert share == pytest.approx((weight < 0.2 * weight.mean()).mean(), abs=0.01 + 0.15 * share)


def test_share_without_any_sample_is_that_of_chance():
    """Holes of R and B with point-like drops: own prototype 8.8 % (N = 10), 1.7 % (20); (1 - 1/4)^N at p -> 0 is 5.6 %,
    0.3 %; drops of 0.1 px touch (1.1)^2 / 4 = 0.30 of the pixels per frame, (1 - 0.3025)^N = 2.7 % and 0.07 %."""
    shares = [np.mean([uneven_share(table_of(n, seed=s), 0.1) for s in range(6)]) for n in (4, 10)]
    assert shares[0] > (1 - 0.3025) ** 4
    assert shares[1] > (1 - 0.3025) ** 10
    assert shares[0] < 0.6
    assert shares[1] < 0.3


def test_more_frames_need_no_larger_drops():
    found = [choose_pixfrac(table_of(n))[0] for n in (2, 6, 20, 40)]
    assert found == sorted(found, reverse=True)
    assert found[0] == max(CHOICES)
    assert found[-1] == min(CHOICES)


def test_undithered_frames_are_named():
    # undithered: 75 % of R and B empty at pixfrac 0.5: by geometry, one sample in 2 x 2 pixels
    still = table_of(20, shift=0.0, turn=0.0)
    # drops of half a pixel on the centres of pixels touch that pixel alone
    assert uneven_share(still, 0.5) == pytest.approx(0.75, abs=0.01)
    pixfrac, why = choose_pixfrac(still)
    assert pixfrac > 1.2
    assert "dither" in why
    pixfrac, why = choose_pixfrac(table_of(2))
    assert pixfrac == 2.0
    assert "more subs" in why


def moved(offsets, size=1.0):
    matrices = np.array([[[1.0, 0, size * x], [0, 1.0, size * y]] for x, y in offsets])
    return frame_table(matrices, SHAPE, noise=np.full(4, 5.0), level=100.0)


def turned_about(x, y):
    """Two frames that are turned against each other by one degree about a place."""
    matrices = np.array([turned(angle, 1, (0, 0), (x, y)) for angle in (0.0, 1.0)])
    return frame_table(matrices, SHAPE, noise=np.full(4, 5.0), level=100.0)


def test_dithered_frames_that_leave_holes_by_chance_are_not_called_undithered():
    """Offsets over 8 px, all next to whole even numbers, so that one pixel in two has no sample of red nearby."""
    unlucky = moved([(0, 0), (2.1, 6), (-4, 2), (6.1, -2), (-2, 4.1), (4, -6), (0.1, 8)])
    assert span_px(unlucky) > PITCH
    pixfrac, why = choose_pixfrac(unlucky)
    assert pixfrac > 1
    assert "are dithered, but" in why
    assert "more subs" in why
    # of the same places, a twentieth as far apart
    _, why = choose_pixfrac(moved([(0, 0), (2.1, 6), (-4, 2), (6.1, -2), (-2, 4.1), (4, -6), (0.1, 8)], 0.05))
    assert "hardly dithered" in why


def test_the_span_is_that_of_the_place_and_axis_where_frames_move_least():
    assert span_px(moved([(0, 0), (5, 1.5), (3, 0.5)])) == pytest.approx(1.5)
    # turned by one degree about one of the nine places, which then stays: all others move
    assert span_px(turned_about(44, 40)) == pytest.approx(0.0, abs=1e-9)
    # about a place 20 rows from the nearest of the nine and 33 columns: columns move by 20 sin(1 deg) there; a degree
    # takes 33 (1 - cos(1 deg)) = 0.005 off that. At the centre, 40 rows and 33 columns away, rows move by 0.58
    assert span_px(turned_about(143, 140)) == pytest.approx(20 * np.sin(np.radians(1)), abs=0.006)


def test_frames_that_lie_elsewhere():
    away = frame_table(np.array([[[1.0, 0, 9e5], [0, 1, 0]]] * 3), SHAPE, noise=np.full(4, 5.0), level=100.0)
    assert uneven_share(away, 1.0) == 0
    assert choose_pixfrac(away)[0] in CHOICES
