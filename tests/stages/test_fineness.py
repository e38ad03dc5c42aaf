"""Resolution of planes whose truth is known: blur and noise by formula, patterns, stars, gaps, lights that stay."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy import fft

from fourlight.core.crossing import crossing
from fourlight.core.resolution import ONE_SEVENTH
from fourlight.frames import StarList
from fourlight.stages.fineness import curves, fineness
from fourlight.stages.fineness_facts import resolution_facts
from fourlight.stages.sampling import Lights
from fourlight.stages.star_covers import Covers

WIDTH, NOISE = 2.0, 0.05
"""Sigma of the blur in pixels; noise of a half over the rms of the sharp truth."""


def no_stars():
    nothing = np.zeros(0)
    return StarList(
        nothing, nothing, np.zeros((0, 4)), np.zeros((0, 4)), nothing, nothing, nothing.astype(bool)
    )  # fmt: skip


def lights(dither):
    matrix = np.array([np.column_stack([np.eye(2), place]) for place in np.asarray(dither, float)])
    return Lights(matrix, np.arange(len(matrix)) % 2, np.ones(len(matrix)))


def dithered(count=20, seed=1):
    return lights(np.random.default_rng(seed).normal(0, 6, (count, 2)).round(1))


def scene(rng, shape=(512, 560), width=WIDTH):
    radius = np.hypot(fft.fftfreq(shape[0])[:, None], fft.fftfreq(shape[1])[None])
    return fft.ifft2(fft.fft2(rng.normal(size=shape)) * np.exp(-2 * (np.pi * width * radius) ** 2)).real


def halves(rng, truth, noise=NOISE):
    first, second = ((truth + rng.normal(0, noise, truth.shape)).astype(np.float32) for _ in range(2))
    return first, second


def expected(width=WIDTH, noise=NOISE):
    """Where exp(-4 (pi w k)^2) / noise^2 = 1/6, of which S / (1 + S) is 1/7 (Rosenthal & Henderson 2003)."""
    return np.sqrt(-np.log(noise**2 / 6) / 4) / (np.pi * width)


@pytest.mark.parametrize("width", [1.5, 2.0, 3.0])
def test_blur_and_noise_by_formula(width):
    rng = np.random.default_rng(1)
    found = fineness({"R": halves(rng, scene(rng, width=width))}, no_stars(), dithered())["R"]
    assert found.seventh[0] == pytest.approx(expected(width), rel=0.03)
    assert found.seventh[1] < found.seventh[0] < found.seventh[2]
    assert found.half[0] < found.seventh[0]
    assert not found.reason
    assert not found.at_limit


def test_a_large_plane_in_several_windows_on_several_threads():
    rng = np.random.default_rng(2)
    pair = halves(rng, scene(rng, (1100, 1300)) + 1000)
    one, two = (fineness({"G": pair}, no_stars(), dithered(), threads)["G"] for threads in (1, 2))
    assert one.seventh == two.seventh
    assert one.seventh[0] == pytest.approx(expected(), rel=0.015)
    assert one.seventh[2] - one.seventh[1] < 0.03 * one.seventh[0]


def test_a_fixed_pattern_is_taken_off():
    """Lights on a line of eleven places, as of a drift: one pattern of the sensor in both halves, moved along."""
    rng = np.random.default_rng(3)
    truth, count = scene(rng), 20
    dither = np.floor(np.linspace(0, 1, count)[:, None] * [10, 6])
    pattern = rng.normal(0, 0.12, truth.shape)
    half = np.arange(count) % 2
    pair = [
        (image + np.mean([np.roll(pattern, (int(y), int(x)), (0, 1)) for x, y in dither[half == k]], axis=0))
        for k, image in enumerate(halves(rng, truth))
    ]
    both = 0.5 * (pair[0] + pair[1])
    found = fineness(
        {"R": (pair[0].astype(np.float32), pair[1].astype(np.float32))}, no_stars(), lights(dither)
    )["R"]
    radius = np.hypot(fft.fftfreq(truth.shape[0])[:, None], fft.fftfreq(truth.shape[1])[None])
    ring = np.abs(radius - found.seventh[0]) < 0.004
    spectra = [fft.fft2(image)[ring] for image in (both, truth)]
    with_truth = (spectra[0] * spectra[1].conj()).real.sum()
    with_truth /= np.sqrt((np.abs(spectra[0]) ** 2).sum() * (np.abs(spectra[1]) ** 2).sum())
    assert with_truth == pytest.approx(0.5, abs=0.08)
    assert found.pattern[0] > 10 * found.pattern[1]


@pytest.mark.parametrize("dither", [np.zeros((12, 2)), np.arange(24).reshape(12, 2) // 6 * 2.0])
def test_lights_on_the_same_places_get_a_reason_and_no_number(dither):
    rng = np.random.default_rng(4)
    truth = scene(rng)
    planes = {name: halves(rng, truth) for name in ("R", "G1", "G2", "B", "G")}
    for found in fineness(planes, no_stars(), lights(dither)).values():
        assert "not dithered" in found.reason
        assert np.isnan([*found.seventh, *found.half]).all()


def test_too_few_lights_are_named_as_such():
    rng = np.random.default_rng(5)
    found = fineness({"R": halves(rng, scene(rng))}, no_stars(), dithered(3))["R"]
    assert "too few lights" in found.reason


def test_bright_stars_do_not_make_the_object_sharp():
    rng = np.random.default_rng(6)
    truth, places = scene(rng), rng.uniform(10, 500, (40, 2))
    y, x = np.mgrid[: truth.shape[0], : truth.shape[1]]
    sky = truth.copy()
    for px, py in places:
        truth = truth + 50 * np.exp(-((x - px) ** 2 + (y - py) ** 2) / (2 * 1.2**2))
    light = np.full((40, 4), 50 * 2 * np.pi * 1.2**2)
    ones = np.ones(40)
    stars = StarList(places[:, 0], places[:, 1], light, 0 * light, 2.8 * ones, ones, ones < 0)
    alone = fineness({"R": halves(np.random.default_rng(7), sky)}, no_stars(), dithered())["R"].seventh[0]
    pair = {"R": halves(np.random.default_rng(7), truth)}
    listed, missed = (fineness(pair, who, dithered())["R"].seventh[0] for who in (stars, no_stars()))
    assert listed == pytest.approx(alone, rel=0.04)
    assert missed == pytest.approx(alone, rel=0.04), "bright ones are found where the list has none"
    bare = curves(pair, Covers(*np.zeros((4, 0))), dithered())["R"].rings
    assert crossing(bare, ONE_SEVENTH)[0] > 1.3 * alone


def test_gaps_and_uncovered_parts():
    rng = np.random.default_rng(8)
    truth = scene(rng)
    first, second = halves(rng, truth)
    for image in (first, second):
        image[rng.random(image.shape) < 0.02] = np.nan
        image[:100] = np.nan
    found = fineness({"B": (first, second)}, no_stars(), dithered())["B"]
    assert found.seventh[0] == pytest.approx(expected(), rel=0.05)
    first[rng.random(first.shape) < 0.4] = np.nan
    assert "are missing" in fineness({"B": (first, second)}, no_stars(), dithered())["B"].reason


def test_no_finer_than_the_samples():
    """Ten lights in a half at most 8 places: but the stack's own pixels end before, two thirds of 1/2."""
    rng = np.random.default_rng(9)
    found = fineness({"R": halves(rng, scene(rng, width=0.3), 1e-3)}, no_stars(), dithered())["R"]
    assert found.seventh == pytest.approx((1 / 3,) * 3)
    assert found.at_limit
    doubled = Lights(dithered(6).matrix * 2, np.arange(6) % 2, np.ones(6), zoom=2.0)
    found = fineness({"R": halves(rng, scene(rng, width=0.3), 1e-3)}, no_stars(), doubled)["R"]
    assert found.finest <= 2 / 3 * 0.25 * np.sqrt(3) / 2 + 1e-9


def test_noise_alone_emptiness_and_small_stacks():
    rng = np.random.default_rng(10)
    nothing = np.zeros((300, 300), np.float32)
    assert "no detail" in fineness({"R": halves(rng, nothing, 1.0)}, no_stars(), dithered())["R"].reason
    empty = nothing + np.nan
    assert fineness({"R": (empty, empty)}, no_stars(), dithered())["R"].reason
    small = nothing[:40, :40]
    assert "64 pixels" in fineness({"R": (small, small)}, no_stars(), dithered())["R"].reason
    with pytest.raises(ValueError, match="one shape"):
        fineness({"R": (small, nothing)}, no_stars(), dithered())


def test_facts_are_plain_and_periods_turn_round():
    rng = np.random.default_rng(11)
    found = fineness({"R": halves(rng, scene(rng))}, no_stars(), dithered())["R"]
    facts = json.loads(json.dumps(resolution_facts(found, 1.5), allow_nan=False))
    assert facts["value"] == pytest.approx(1 / found.seventh[0])
    assert facts["low"] < facts["value"] < facts["high"]
    assert facts["arcsec"]["value"] == pytest.approx(1.5 * facts["value"])
    assert facts["reason"] is None
    curve = facts["curve"]
    assert {len(part) for part in curve.values()} == {len(curve["cycles_per_px"])}
    crossing = np.interp(facts["cycles_per_px"]["value"], curve["cycles_per_px"], curve["correlation"])
    assert crossing == pytest.approx(ONE_SEVENTH, abs=0.05)
    still = fineness({"R": halves(rng, scene(rng))}, no_stars(), lights(np.zeros((8, 2))))["R"]
    facts = json.loads(json.dumps(resolution_facts(still, None), allow_nan=False))
    assert facts["value"] is None
    assert facts["arcsec"] is None
    assert "not dithered" in facts["reason"]
