"""Shares of the channels: worked by hand, against ITU-R BT.709, and their intervals on series whose truth is known."""

from dataclasses import replace

import numpy as np
import pytest

from fourlight.stages.contributions import KINDS, Ledger, believed, ratios, shares
from fourlight.stages.nights import nights_of

WHITE = np.ones(3)


def ledger(signal, variance, frames=6, away=None, cross=1.0):
    signal, variance = np.asarray(signal, float), np.asarray(variance, float)
    shape = (frames, 4, 1)
    return Ledger(
        signal[None, :],
        np.zeros(shape) if away is None else away[:, :, None],
        np.broadcast_to(variance[None, :, None], shape).copy(),
        np.ones((*shape, 3)),
        np.full(shape, cross),
        np.broadcast_to(1000 / variance[None, :, None], shape).copy(),
        ("object",),
    )


def of(found, kind, nights=("a",) * 6, balance=WHITE):
    return {channel: trial.value for channel, trial in shares(found, nights, balance)[kind]["object"].items()}


def test_green_of_a_neutral_source_holds_what_rec_709_says():
    """ITU-R BT.709-6, item 3.2: Y = 0.2126 R + 0.7152 G + 0.0722 B."""
    found = of(ledger([50, 50, 50, 50], [60, 60, 60, 60]), "luminance")
    assert found["G"] == pytest.approx(0.7152)
    assert (found["R"], found["B"]) == pytest.approx((0.2126, 0.0722))
    uneven = of(ledger([40, 80, 80, 20], [60, 60, 60, 60]), "luminance", balance=np.array([2, 1, 4]))
    assert uneven["G"] == pytest.approx(0.7152), "balanced, the source is white"


def test_half_of_the_samples_are_green():
    """Of equal light in all planes green counts half the electrons and half the information (common practice)."""
    even = ledger([50, 50, 50, 50], [60, 60, 60, 60])
    for kind in ("electrons", "information", "detail"):
        found = of(even, kind)
        assert found["G"] == pytest.approx(0.5)
        assert found["G1"] + found["G2"] == pytest.approx(found["G"])
        assert found["R"] + found["G"] + found["B"] == pytest.approx(1)


def test_information_is_signal_squared_over_variance():
    signal, variance = np.array([30.0, 50, 52, 10]), np.array([90.0, 130, 131, 60])
    found = of(ledger(signal, variance), "information")
    by_hand = signal**2 / variance
    for channel, value in zip(("R", "G1", "G2", "B"), by_hand / by_hand.sum(), strict=True):
        assert found[channel] == pytest.approx(value)


def test_frames_of_a_bright_sky_bring_less_information():
    """Summed over frames: half of them with four times the variance in blue bring a quarter there."""
    found = ledger([50, 50, 50, 50], [60, 60, 60, 60])
    found.variance[::2, 3] *= 4
    blue = (1 + 0.25) / 2
    assert of(found, "information")["B"] == pytest.approx(blue / (3 + blue))


def test_nothing_is_told_of_a_region_without_light():
    assert np.isnan(of(ledger([-1, -2, -1, 0], [60, 60, 60, 60]), "information")["G"])


def test_interval_of_few_nights_is_for_frames_and_of_three_for_nights():
    rng = np.random.default_rng(5)
    nights = [name for name in "abc" for _ in range(8)]
    common = np.repeat(rng.normal(0, 3, (3, 4)), 8, axis=0)
    found = ledger([50, 60, 60, 40], [60, 60, 60, 60], 24, common + rng.normal(0, 0.3, (24, 4)))
    by_night = shares(found, nights, WHITE)["electrons"]["object"]["B"]
    one_night = ledger([50, 60, 60, 40], [60, 60, 60, 60], 24, common[:1] + rng.normal(0, 0.3, (24, 4)))
    by_frame = shares(one_night, ["a"] * 24, WHITE)["electrons"]["object"]["B"]
    assert by_night.freedom == 2
    assert by_frame.freedom > 6
    assert by_night.error > 5 * by_frame.error, "what nights have in common no frame of one of them shows"


def test_intervals_hold_the_truth_as_often_as_they_say():
    """Shares of electrons of 400 sets of four nights; 95 % of the intervals should hold the true one."""
    rng, nights = np.random.default_rng(6), [name for name in "abcd" for _ in range(5)]
    held = 0
    for _ in range(400):
        away = np.repeat(rng.normal(0, 1.0, (4, 4)), 5, axis=0) + rng.normal(0, 0.5, (20, 4))
        trial = shares(ledger([50, 60, 60, 40], [60, 60, 60, 60], 20, away), nights, WHITE)["electrons"][
            "object"
        ]["G"]
        held += trial.low <= 120 / 210 <= trial.high
    assert 0.92 <= held / 400 <= 0.98


def test_all_kinds_are_told():
    assert set(shares(ledger([50] * 4, [60] * 4), ["a"] * 6, WHITE)) == set(KINDS)


def test_frames_of_no_night_are_one_night():
    assert [mask.sum() for mask in nights_of([None, "a", None])] == [2, 1]


def test_ratios_of_light():
    found = ratios(ledger([30, 50, 40, 9], [60, 60, 60, 60]), ["a"] * 6)["object"]
    assert found["R_over_G"].value == pytest.approx(30 / 45)
    assert found["B_over_G"].value == pytest.approx(9 / 45)
    assert found["G1_over_G2"].value == pytest.approx(50 / 40)
    assert np.isnan(ratios(ledger([30, -50, 40, 9], [60] * 4), ["a"] * 6)["object"]["R_over_G"].value)


def test_noise_that_neighbours_show_takes_the_place_of_the_model():
    """A region of few samples takes over what all show; of many, what it shows itself."""
    found = ledger([50] * 4, [60] * 4)
    found.even[..., 0], found.even[..., 2] = 1.2, 1e9
    assert believed(found) == pytest.approx(np.full((4, 1), 1.2))
    few = replace(found, even=np.concatenate([found.even, found.even * [2e-9, 1e-9, 1e-9]], axis=2))
    assert believed(few)[:, 1] == pytest.approx(believed(few)[:, 0], rel=0.05)
    assert believed(few)[:, 0] == pytest.approx(np.full(4, 1.2), rel=0.05)
