"""Shares of the channels: worked by hand, against ITU-R BT.709, and their intervals on series whose truth is known."""

from dataclasses import replace

import numpy as np
import pytest

from fourlight.core.starcolour import Balance, StarLight, balance_from_stars
from fourlight.pipeline.intervals import interval
from fourlight.stages.channel_shares import CHANNELS, KINDS, shares
from fourlight.stages.contributions import colour_over
from ledgers import WHITE, ledger, seen


def of(found, kind, nights=("a",) * 6, balance=WHITE):
    return {channel: trial.value for channel, trial in shares(found, nights, balance)[kind]["object"].items()}


def test_green_of_a_neutral_source_holds_what_rec_709_says():
    """ITU-R BT.709-6, item 3.2: Y = 0.2126 R + 0.7152 G + 0.0722 B."""
    found = of(ledger([50, 50, 50, 50], [60, 60, 60, 60]), "luminance")
    assert found["G"] == pytest.approx(0.7152)
    assert (found["R"], found["B"]) == pytest.approx((0.2126, 0.0722))
    uneven = of(
        ledger([40, 80, 80, 20], [60, 60, 60, 60]),
        "luminance",
        balance=Balance(np.array([2, 1, 4]), 9, np.zeros((3, 3))),
    )
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


SETS = 400


def sets_of(true, error, nights, seed):
    """(f, 4, SETS) light of three frames a night, whose mean over all has this error, and the names of their nights."""
    scatter = error * np.sqrt(nights) * np.random.default_rng(seed).normal(size=(nights, 4, SETS))
    return np.repeat(np.asarray(true)[:, None] + scatter, 3, axis=0), np.repeat(
        list("abcdefg"[:nights]), 3
    ).tolist()


def held(told, channel, share):
    """Share of intervals that hold the truth, none of which is a point, and (SETS,) values."""
    trials = [found[channel] for found in told.values()]
    ends = [interval(trial, 0.0, 1.0) for trial in trials]
    assert all(end["high"] > end["low"] for end in ends), "nothing is certain"
    inside = np.mean([end["low"] <= share <= end["high"] for end in ends])
    return inside, np.array([trial.value for trial in trials])


@pytest.mark.parametrize("nights", [3, 5])
@pytest.mark.parametrize("errors", [0.0, 0.5, 1.0, 3.0])
def test_information_of_a_weak_channel_is_as_sure_as_told(nights, errors):
    """Light of blue of so many standard errors beside strong red and green: n s^2 / v, without its bias."""
    true = np.array([60.0, 60.0, 60.0, 3.0 * errors])
    light, names = sets_of(true, 3.0, nights, 7)
    share = true[3] ** 2 / (true**2).sum()
    inside, values = held(shares(seen(light), names, WHITE)["information"], "B", share)
    assert 0.93 <= inside <= 0.99  # near zero all misses are on one side, which leaves 97.5 %
    # left in, the bias would be 9 of 10800: at one error as much as the share itself
    assert values.mean() == pytest.approx(share, abs=4 * values.std() / np.sqrt(SETS))


@pytest.mark.parametrize(
    ("channel", "light"), [("R", [60.0, 3, 3, 3]), ("G", [60.0, 3, 3, 60]), ("G", [3, 60.0, 60, 3])]
)
def test_weak_channels_together_are_as_sure_as_told(channel, light):
    """What holds nearly all beside three that hold next to nothing, and the sum of two greens."""
    power = np.array(light) ** 2
    given, names = sets_of(light, 3.0, 4, 8)
    share = (power[0] if channel == "R" else power[1:3].sum()) / power.sum()
    inside, _ = held(shares(seen(given), names, WHITE)["information"], channel, share)
    assert 0.93 <= inside <= 0.98


def test_detail_that_is_not_there_is_not_certainly_none():
    """Products of two halves: of blue without fine structure half are negative."""
    cross, names = sets_of([9.0, 9, 9, 0], 0.2, 4, 9)
    inside, values = held(
        shares(seen(np.full(cross.shape, 60.0), cross=cross), names, WHITE)["detail"], "B", 0.0
    )
    assert 0.93 <= inside <= 0.99
    assert 0.4 < (values < 0).mean() < 0.6


def test_nothing_is_told_where_a_plane_has_no_sample():
    found = ledger([50] * 4, [60] * 4)
    found.away[:, 0], found.weight[:, 0], found.cross[:, 0] = np.nan, 0, np.nan
    for kind, told in shares(found, list("aaabbb"), WHITE).items():
        for channel in CHANNELS:
            trial = told["object"][channel]
            assert np.isnan(trial.value), (kind, channel)
            assert (trial.low, trial.high) == (-np.inf, np.inf)


def test_no_region_no_shares():
    found = ledger([50] * 4, [60] * 4)
    parts = (found.signal[:0], *(part[:, :, :0] for part in (found.away, found.variance, found.even)))
    none = type(found)(*parts, found.cross[:, :, :0], found.weight[:, :, :0], ())
    assert shares(none, ["a"] * 6, WHITE) == {kind: {} for kind in KINDS}


@pytest.mark.parametrize(("count", "least", "most"), [(12, 0.96, 1.0), (60, 0.92, 0.99)])
def test_few_stars_leave_the_luminance_unsure(count, least, most):
    """Of stars of chance colours, against the balance of ten thousand; of few a usual scatter is taken."""
    rng, inside, sets = np.random.default_rng(11), 0, 150

    def balance(count):
        red = rng.normal(0, 0.35, count)  # red stars are faint in blue
        colour = np.stack([red, rng.normal(0, 0.05, count), -red], axis=1)
        flux = 1e5 * np.array([0.75, 1.0, 0.8]) * np.exp(colour)
        return balance_from_stars(
            StarLight(flux, flux * 1e-3, flux), np.ones(count, bool), np.array([0.75, 1.0, 0.8])
        )

    found, names = seen(np.tile([[45.0], [60], [60], [48]], (9, 1, 1))), list("aaabbbccc")
    true = shares(found, names, balance(10_000))["luminance"]["0"]
    for _ in range(sets):
        told = shares(found, names, balance(count))["luminance"]["0"]
        assert told["G"].error > 0.004, "no light that is left out shows it"
        inside += sum(told[c].low <= true[c].value <= told[c].high for c in "RGB")
    assert least <= inside / (3 * sets) <= most
    assert true["G"].error < 0.001


def with_shared(found, covariance):
    return replace(found, shared=np.asarray(covariance)[None])


def test_what_all_lights_are_off_by_widens_intervals_as_reckoned_by_hand():
    """Of four planes of 50 that may be off by 1 each: 150/200^2 of its own, 50/200^2 of each of the others."""
    even = ledger([50, 50, 50, 50], [60, 60, 60, 60])
    found = shares(with_shared(even, np.eye(4)), ("a",) * 6, WHITE)
    error = np.hypot(150, 50 * np.sqrt(3)) / 200**2
    red = found["electrons"]["object"]["R"]
    assert (red.high - red.low) / 2 == pytest.approx(1.96 * error, rel=1e-3)
    detail = found["detail"]["object"]["R"]
    assert detail.high == detail.low, "it is told without the sky"


def test_an_error_that_all_planes_have_in_proportion_to_their_light_changes_no_share():
    light = np.array([30.0, 50, 52, 10])
    found = ledger(light, [60, 60, 60, 60])
    wider = shares(with_shared(found, 0.01 * np.outer(light, light)), ("a",) * 6, WHITE)
    for kind in ("electrons", "luminance"):
        for trial in wider[kind]["object"].values():
            assert trial.high - trial.low < 1e-5


def test_intervals_hold_the_truth_where_the_stack_is_off():
    """Of 300 stacks, each off by some per cent in its own way, with lights that scatter less than that."""
    rng, light, off = np.random.default_rng(12), np.array([40.0, 60, 60, 30]), np.array([2.0, 1.0, 1.0, 2.0])
    true = light**2
    true = (true / true.sum())[[0, 3]]
    held = []
    for _ in range(300):
        away = rng.normal(0, 0.5, (8, 4))
        stack = light + off * rng.standard_normal(4)
        found = ledger(stack, [60, 60, 60, 60], frames=8, away=away - away.mean(axis=0))
        trials = shares(with_shared(found, np.diag(off**2)), ("a",) * 8, WHITE)["information"]["object"]
        held += [trials[c].low <= value <= trials[c].high for c, value in zip("RB", true, strict=True)]
    # 600 of which two of a stack go together: 95 % is known to 1.3 %
    assert 0.93 < np.mean(held) < 0.985


def test_ratios_of_two_regions_are_off_by_what_each_of_them_is():
    """Red of one region 5 % off, of both 5 % each and independent: 0.05 and 0.05 sqrt(2) of the ratio of ratios."""
    light = np.array([[40.0, 60, 60, 30], [50.0, 60, 60, 40]])
    both = replace(ledger(light[0], [60] * 4), names=("object", "stars"))
    wide = {
        name: np.concatenate([getattr(both, name)] * 2, axis=2)
        for name in ("away", "variance", "even", "cross", "weight")
    }
    red = np.zeros((2, 4, 4))
    red[:, 0, 0] = (0.05 * light[:, 0]) ** 2
    halves = {}
    for name, known in (
        ("none", 0 * red),
        ("object", red * [[[1]], [[0]]]),
        ("stars", red * [[[0]], [[1]]]),
        ("both", red),
    ):
        found = replace(both, signal=light, shared=known, **wide)
        trial = colour_over(found, ["a", "a", "b", "b", "c", "c"], "object", "stars")["R_over_G"]
        halves[name] = (trial.high - trial.low) / 2 / trial.value
    assert halves["none"] < 1e-6
    for name, share in (("object", 0.05), ("stars", 0.05), ("both", 0.05 * np.sqrt(2))):
        assert halves[name] == pytest.approx(1.96 * share, rel=0.02), name
