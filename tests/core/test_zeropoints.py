"""Zero points of several channels: against least squares, against their own errors, and with stars that lie off."""

import numpy as np
import pytest

from fourlight.core.zeropoints import FEWEST, zero_points


def invented(random, count=60, common=0.05, own=(0.01, 0.02, 0.03), slope=(0.02, 0.0, -0.03)):
    """Stars whose catalogue errors all channels share."""
    colour = random.uniform(-0.6, 0.7, count)
    shared = common * random.standard_normal(count)
    seen = [
        20.0 + c + s * colour + shared + scatter * random.standard_normal(count)
        for c, (s, scatter) in enumerate(zip(slope, own, strict=True))
    ]
    return np.column_stack(seen), np.full(count, common), colour


def test_without_outliers_it_is_least_squares():
    """numpy.polyfit of the same stars; weights that cost 5 % of information differ from it by sqrt(1/0.95 - 1) = 0.23
    of an error; three times that is allowed."""
    seen, sigma, colour = invented(np.random.default_rng(1), 400)
    found = zero_points(seen, sigma, colour, 10.0)
    for c in range(3):
        slope, value = np.polyfit(colour, seen[:, c], 1)
        assert found.value[c] == pytest.approx(value, abs=0.7 * found.error[c])
        assert found.slope[c] == pytest.approx(slope, abs=0.7 * found.slope_error[c])


def test_errors_are_what_repetition_shows():
    """400 draws: the scatter of results over the claimed errors is 1 to 10 % for values and slopes. Differences between
    channels may be claimed a fifth too uncertain, for weights follow the light that channels share."""
    random, pulls = np.random.default_rng(2), []
    for _ in range(400):
        seen, sigma, colour = invented(random, 40)
        found = zero_points(seen, sigma, colour, 10.0)
        apart, covariance = found.value[0] - found.value[2], found.covariance
        spread = covariance[0, 0] + covariance[4, 4] - 2 * covariance[0, 4]
        pulls.append([
            (found.value[1] - 21.0) / found.error[1],
            (found.slope[0] - 0.02) / found.slope_error[0],
            (apart + 2.0) / np.sqrt(spread),
        ])  # fmt: skip
    value, slope, difference = np.std(pulls, axis=0)
    assert (value, slope) == pytest.approx((1, 1), abs=0.13)
    assert 0.75 < difference < 1.13


def test_what_channels_share_drops_out_of_their_difference():
    seen, sigma, colour = invented(np.random.default_rng(3), 100, common=0.2)
    found = zero_points(seen, sigma, colour, 10.0)
    covariance = found.covariance
    apart = np.sqrt(covariance[0, 0] + covariance[2, 2] - 2 * covariance[0, 2])
    assert apart < 0.3 * found.error[0]


def test_stars_that_lie_off_do_not_count():
    """A fifth are variable or blended: half a magnitude off and more."""
    random = np.random.default_rng(4)
    seen, sigma, colour = invented(random, 100)
    seen[:20] -= random.uniform(0.5, 2.0, (20, 1))
    found = zero_points(seen, sigma, colour, 10.0)
    assert (found.weight[:20] == 0).mean() > 0.9
    assert found.value == pytest.approx([20.0, 21.0, 22.0], abs=0.03)


def test_scatter_beyond_the_known_errors_is_found():
    random = np.random.default_rng(5)
    seen, _, colour = invented(random, 400, common=0.08, own=(0.0, 0.0, 0.0))
    found = zero_points(seen, np.full(400, 0.001), colour, 10.0)
    assert found.scatter == pytest.approx([0.08, 0.08, 0.08], rel=0.15)
    assert found.beyond == pytest.approx([0.08, 0.08, 0.08], rel=0.15)


def test_stars_of_one_colour_leave_the_slope_where_it_is_held():
    random = np.random.default_rng(6)
    seen = 20.0 + 0.02 * random.standard_normal((30, 1))
    found = zero_points(seen, np.full(30, 0.02), np.full(30, 0.3), 0.05)
    assert found.slope[0] == pytest.approx(0.0, abs=0.02)
    assert found.slope_error[0] == pytest.approx(0.05, rel=0.1)
    assert np.sqrt(found.at(0.3)[1][0, 0]) < 0.01


def test_too_few_stars_are_refused():
    with pytest.raises(ValueError, match="4 stars"):
        zero_points(np.zeros((FEWEST - 1, 1)), np.ones(FEWEST - 1), np.zeros(FEWEST - 1), 1.0)
