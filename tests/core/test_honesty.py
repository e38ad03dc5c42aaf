"""Slopes of one half on what is kept of the other."""

import numpy as np

from fourlight.core import honesty, shrinkage
from fourlight.core.halfpower import CLASSES, PENALTY, capped, doubt_class
from fourlight.core.honesty import Slopes, add_slopes
from fourlight.core.spare import Spare


def halves_of(truth, seed=1, smooth=0):
    rng = np.random.default_rng(seed)
    noise = [rng.normal(size=truth.shape).astype(np.float32) * np.float32(np.sqrt(2)) for _ in "ab"]
    for scale in range(smooth):
        noise = [shrinkage.smooth_step(part, scale) for part in noise]
    first, second = ((truth + part).astype(np.float32) for part in noise)
    return first, second


def slopes_of(halves, scales=4):
    sums = Slopes.none(scales)
    add_slopes(halves, None, shrinkage.usual, sums, Spare())
    return sums


def test_mean_over_median_is_that_of_white_noise():
    # drawn here: local powers of white noise at each scale, mean over median
    halves = halves_of(np.zeros((900, 900), np.float32), seed=4)
    for scale, (pair, expected, _, _) in enumerate(shrinkage.scale_details(halves, None, 3, Spare())):
        ratio = shrinkage.half_ratio(*pair, expected, scale)()
        assert abs(ratio.mean() / np.median(ratio) / honesty.MEAN_OVER_MEDIAN[scale] - 1) < 0.02


def test_of_pure_noise_nothing_is_confirmed_and_nearly_all_is_capped():
    sums = slopes_of(halves_of(np.zeros((500, 500), np.float32)))
    kept = sums.count.sum(axis=1) > 0
    assert kept[:2].all()
    # what is left is invented: independent halves have a slope of zero on it, within the scatter of few blobs
    assert np.abs(sums.overall()[:2]).max() < 0.4
    assert sums.caps[:2][sums.count[:2] > 100].max() < 0.4


def test_light_that_one_half_shows_alone_is_not_confirmed():
    rng = np.random.default_rng(2)
    blobs = shrinkage.smooth_step((rng.random((400, 400)) > 0.99).astype(np.float32) * 40, 0)
    first, second = halves_of(np.zeros((400, 400), np.float32), seed=3)
    both = slopes_of((first + blobs, second + blobs)).overall()[:2]
    one = slopes_of((first + blobs, second)).overall()[:2]
    assert (both > 0.9).all()
    # half of the sums are those of the empty half, in which nothing is kept
    assert (np.abs(one) < 0.1).all()


def test_caps_cost_real_detail_next_to_nothing():
    # design figure: at most 0.2 dB
    y, x = np.mgrid[:400, :400]
    truth = (5 * np.sin(x / 6) * np.sin(y / 7) + 60 * np.exp(-((x - 200) ** 2 + (y - 150) ** 2) / 9)).astype(
        np.float32
    )
    halves = halves_of(truth, seed=5)
    mean, caps = (halves[0] + halves[1]) / 2, tuple(slopes_of(halves, 5).caps)
    errors = [
        ((shrinkage.confirmed(mean, halves, None, strength=1.0, scales=5, caps=c) - truth) ** 2).mean()
        for c in ((), caps)
    ]
    assert 10 * np.log10(errors[1] / errors[0]) < 0.2


def test_correlated_noise_is_no_detail():
    # noise that was smoothed: its level is known scale by scale from the halves, not from the pixels' variance
    sums = slopes_of(halves_of(np.zeros((500, 500), np.float32), seed=6, smooth=2))
    assert np.abs(np.nan_to_num(sums.overall()[:3])).max() < 0.2
    halves = halves_of(np.zeros((500, 500), np.float32), seed=6, smooth=2)
    mean = (halves[0] + halves[1]) / 2
    out = shrinkage.confirmed(mean, halves, None, strength=1.0, scales=5, caps=tuple(sums.caps))
    # beyond the fifth scale nothing is judged, and smoothed noise holds more of its power there than white noise
    assert out.std() / mean.std() < 0.16
    white = shrinkage.confirmed(mean, None, np.full_like(mean, mean.var()), strength=1.0, scales=5)
    assert white.std() > 3 * out.std()


def test_where_one_half_stands_in_for_the_other_nothing_is_judged():
    first, _ = halves_of(np.zeros((200, 200), np.float32))
    sums = slopes_of((first, first.copy()))
    assert sums.itself.sum() == 0
    assert (sums.caps == 1).all()


def test_classes_and_caps_meet():
    assert [doubt_class(np.float32(0.75 / 2**k)) for k in range(CLASSES + 1)] == list(range(CLASSES + 1))
    caps = np.array([0.1, 0.5, 0.8, 1.0], dtype=np.float32)
    values = [float(capped(np.float32(share), caps)) for share in np.geomspace(1, 0.01, 200)]
    assert np.diff(values).min() >= -1e-6
    assert abs(values[0] - 0.1) < 1e-6
    assert abs(values[-1] - 1.0) < 1e-6
    assert PENALTY > 1


def test_caps_take_away_what_they_say():
    halves = halves_of(np.zeros((200, 200), np.float32), seed=7)
    mean = (halves[0] + halves[1]) / 2
    none = tuple(np.zeros(CLASSES, np.float32) for _ in range(5))
    plain = shrinkage.confirmed(mean, halves, None, strength=1.0, scales=5)
    capped_out = shrinkage.confirmed(mean, halves, None, strength=1.0, scales=5, caps=none)
    assert capped_out.std() < 0.6 * plain.std()


def test_share_of_noise_taken_away():
    halves = halves_of(np.zeros((200, 200), np.float32), seed=8)
    mean = (halves[0] + halves[1]) / 2
    taken = np.empty_like(mean)
    for strength, least, most in ((0.0, 0, 0), (0.5, 0.70, 0.76), (1.0, 0.93, 1.0)):
        shrinkage.confirmed(mean, halves, None, strength=strength, scales=5, taken=taken)
        assert least <= taken.mean() <= most
