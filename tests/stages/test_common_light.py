"""Structure that channels share, on painted halves whose shares are known."""

import numpy as np
import pytest

from fourlight.core.regionsums import STEEP
from fourlight.pipeline.intervals import interval
from fourlight.sensor.response import WAVE_NM
from fourlight.sensor.sensors import sensor
from fourlight.stages.common_light import common_structure, crosstalk, shared
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
        assert found[others].low - 0.01 < share < found[others].high + 0.01, "the light painted is one draw"
        assert found[others].error < 0.07, "noise of 4 over structure of 1"


def test_equal_pictures_share_all_and_unlike_ones_nothing():
    rng = np.random.default_rng(4)
    one, other = rng.normal(0, 3, SHAPE), rng.normal(0, 3, SHAPE)
    found = common_structure(halves({"R": one, "G": one, "B": other}, 0.3), regions_of(np.ones(SHAPE, bool)))
    assert found["object"]["R"].value > 0.98
    assert found["object"]["B"].value < 0.001


def test_a_mixture_shows_no_less_than_either_of_its_parts():
    """Blue has red's light and nothing more of green's: its error must not take from what red shows alone."""
    for seed in range(8):
        rng = np.random.default_rng(seed)
        one, other, own = rng.normal(0, 3, (3, *SHAPE))
        light = {"R": one, "G": one + 0.5 * own, "B": one + 0.3 * other}
        found = common_structure(halves(light, 1.0, seed + 100), regions_of(np.ones(SHAPE, bool)))["object"]
        assert found["R and B"].value >= max(found["R"].value, found["B"].value)
        assert found["R and B"].low <= found["R and B"].value <= found["R and B"].high


def test_noise_alone_has_nothing_to_share():
    zero = np.zeros(SHAPE)
    found = common_structure(halves({"R": zero, "G": zero, "B": zero}, 1.0), regions_of(np.ones(SHAPE, bool)))
    for trial in found["object"].values():
        ends = interval(trial, 0.0, 1.0)
        assert (ends["low"], ends["high"]) == (0.0, 1.0)
        assert np.isnan(trial.p)


@pytest.mark.parametrize("noise", [2.0, 4.0])
@pytest.mark.parametrize(("red", "blue"), [(0.0, 0.0), (0.05, 0.05), (1.0, 1.0)])
def test_intervals_of_noisy_halves_hold_the_truth(noise, red, blue):
    """Green of red's and blue's structure and of its own, all of variance 1, that of blue 4, under noise of 4 or 16."""
    rng, sets, shape, full = np.random.default_rng(5), 60, (64, 80), np.ones((64, 80), bool)
    whole = red**2 + blue**2 + 1
    true = {"R": red**2 / whole, "B": blue**2 / whole, "R and B": (red**2 + blue**2) / whole}
    held, values, widths = dict.fromkeys(true, 0), [], []
    regions = Regions(("object",), full.astype(np.uint16), np.array([full.sum()]), np.zeros((1, 5)), False)
    for _ in range(sets):
        r, b, own = rng.normal(0, 1, (3, *shape))
        light = {"R": r, "G": red * r + blue * b + own, "B": 2 * b}
        layers = {
            (c, f"value_{half}"): (image + rng.normal(0, noise, shape)).astype(np.float32)
            for c, image in light.items()
            for half in "ab"
        }
        found = common_structure(lambda plane, layer, layers=layers: layers[plane, layer], regions)["object"]
        for others, share in true.items():
            ends = interval(found[others], 0.0, 1.0)
            assert ends["high"] > ends["low"], "nothing is certain"
            held[others] += ends["low"] <= share <= ends["high"]
        values.append(found["B"].value)
        widths.append(found["B"].high - found["B"].low)
    assert sum(held.values()) / (3 * sets) >= 0.92
    assert min(held.values()) / sets >= 0.85
    assert np.median(values) == pytest.approx(true["B"], abs=4 * np.std(values) / np.sqrt(sets))
    if red == 1:
        assert np.median(widths) < 6 * np.std(values), "no wider than it must be: four sigma hold 95 %"


def test_what_is_shared_is_the_coefficient_of_determination():
    """Against a linear fit by numpy."""
    rng = np.random.default_rng(6)
    red, blue, own = rng.normal(0, 1, (3, 5000))
    green = red + 0.3 * blue + own
    covariance = np.cov([red, green, blue])
    fitted = np.column_stack([red, blue, np.ones(5000)])
    rest = green - fitted @ np.linalg.lstsq(fitted, green, rcond=None)[0]
    assert (shared(covariance, [0, 2]) ** 2).sum() == pytest.approx(1 - rest.var() / green.var())
    assert np.isnan(shared(np.zeros((3, 3)), [0])).all()


def test_small_regions_tell_nothing():
    mask = np.zeros(SHAPE, bool)
    mask[:10, :10] = True
    zero = np.zeros(SHAPE)
    assert common_structure(halves({"R": zero, "G": zero, "B": zero}, 1.0), regions_of(mask)) == {}


def test_a_plane_that_holds_nothing_tells_nothing_and_warns_of_nothing():
    light = {colour: 100 + np.random.default_rng(4).normal(0, 1, SHAPE) for colour in "RGB"}
    light["B"] = np.full(SHAPE, np.nan)
    found = common_structure(halves(light, 0.1), regions_of(np.ones(SHAPE, bool)))
    assert all(not np.isfinite(trial.value) for trials in found.values() for trial in trials.values())


def test_crosstalk_is_the_area_where_another_curve_is_higher():
    """By the trapezoidal rule of numpy on the published tables."""
    found = crosstalk()
    by_hand = []
    for name in ("bsi-8mp", "bsi-5mp"):
        red, green, blue = sensor(name).at(WAVE_NM)
        second = (green < red) | (green < blue)
        by_hand.append(np.trapezoid(np.where(second, green, 0), dx=1.0) / np.trapezoid(green, dx=1.0))
    assert found["G"] == pytest.approx((min(by_hand), max(by_hand)), abs=2e-3)
