"""Structure that channels share, on painted halves whose shares are known."""

import numpy as np
import pytest

from fourlight.core.regionsums import STEEP
from fourlight.sensor.response import WAVE_NM
from fourlight.sensor.sensors import sensor
from fourlight.stages.common_light import common_structure, crosstalk
from fourlight.stages.regions import Regions

SHAPE = (200, 260)


def regions_of(mask):
    labels = mask.astype(np.uint16)
    labels[:20] |= np.uint16(1 << STEEP)
    return Regions(("object",), labels, np.array([mask.sum()]), np.zeros((1, 5)), False)


def halves(light, noise, seed=1):
    rng = np.random.default_rng(seed)
    layers = {
        (colour, f"value_{half}"): (image + rng.normal(0, noise, SHAPE)).astype(np.float32)
        for colour, image in light.items()
        for half in "ab"
    }
    return lambda plane, layer: layers[plane, layer]


@pytest.mark.parametrize("noise", [0.1, 4.0])
def test_shares_are_those_of_the_painted_light_whatever_the_noise(noise):
    """Green is a mixture of red's and blue's structure and one of its own, of variance 1 each: 1/3, 1/3, 2/3."""
    rng = np.random.default_rng(3)
    red, blue, own = (rng.normal(0, 1, SHAPE) for _ in range(3))
    light = {"R": 500 + red, "G": 300 + red + blue + own, "B": 90 + 2 * blue}
    found = common_structure(halves(light, noise), regions_of(np.ones(SHAPE, bool)))["object"]
    for others, share in (("R", 1 / 3), ("B", 1 / 3), ("R and B", 2 / 3)):
        assert found[others].value == pytest.approx(share, abs=5 * max(found[others].error, 0.01))
        assert found[others].low < share < found[others].high or noise < 1


def test_equal_pictures_share_all_and_unlike_ones_nothing():
    rng = np.random.default_rng(4)
    one, other = rng.normal(0, 3, SHAPE), rng.normal(0, 3, SHAPE)
    found = common_structure(halves({"R": one, "G": one, "B": other}, 0.3), regions_of(np.ones(SHAPE, bool)))
    assert found["object"]["R"].value > 0.98
    assert found["object"]["B"].value < 0.001


def test_noise_alone_has_nothing_to_share():
    zero = np.zeros(SHAPE)
    found = common_structure(halves({"R": zero, "G": zero, "B": zero}, 1.0), regions_of(np.ones(SHAPE, bool)))
    value = found["object"]["R and B"].value
    assert np.isnan(value) or found["object"]["R and B"].low < 0.5


def test_small_regions_tell_nothing():
    mask = np.zeros(SHAPE, bool)
    mask[:10, :10] = True
    zero = np.zeros(SHAPE)
    assert common_structure(halves({"R": zero, "G": zero, "B": zero}, 1.0), regions_of(mask)) == {}


def test_crosstalk_is_the_area_where_another_curve_is_higher():
    """By the trapezoidal rule of numpy on the published tables."""
    found = crosstalk()
    by_hand = []
    for name in ("bsi-8mp", "bsi-5mp"):
        red, green, blue = sensor(name).at(WAVE_NM)
        second = (green < red) | (green < blue)
        by_hand.append(np.trapezoid(np.where(second, green, 0), dx=1.0) / np.trapezoid(green, dx=1.0))
    assert found["G"] == pytest.approx((min(by_hand), max(by_hand)), abs=2e-3)
