"""What is told of the light of the sky, by where the level of no light is from, and of lights that are not dithered."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from fourlight.frames import NoiseModel
from fourlight.pipeline.channels import _known_shares, _notes
from fourlight.stages.channel_shares import shares
from fourlight.stages.regions import Regions
from ledgers import WHITE, seen


def run_with(level, source):
    noise = NoiseModel(0.8, "header", None, "unknown", level, source)
    return SimpleNamespace(calibration=SimpleNamespace(noise=noise), nights=["a"] * 6)


@pytest.fixture
def ledger():
    found = seen(np.full((6, 4, 2), 50.0))
    return type(found)(**{k: getattr(found, k) for k in found.__slots__} | {"names": ("object", "sky")})


@pytest.mark.parametrize(
    ("level", "source", "told"),
    [
        (500.0, "bias", True), (500.0, "dark", True), (500.0, "recipe", True), (500.0, "header", True),
        (496.0, "lights", False), (None, "unknown", False),
    ],
)  # fmt: skip
def test_the_light_of_the_sky_needs_a_level_that_was_measured_or_given(ledger, level, source, told):
    run = run_with(level, source)
    known = _known_shares(shares(ledger, ["a"] * 6, WHITE), run, dithered=True)
    assert [kind for kind, regions in known.items() if "sky" in regions] == (
        ["electrons", "luminance", "information"] if told else []
    )
    assert all("object" in regions for regions in known.values())
    found = Regions(("object", "sky"), np.ones((4, 4), np.uint16), np.ones(2, int), np.ones((2, 5)), False)
    said = " ".join(_notes(run, found, ledger, dithered=True))
    assert ("Nothing is told of the light of the sky" in said) is not told


def test_of_lights_that_are_not_dithered_it_is_said_what_intervals_hold(ledger):
    found = Regions(("object", "sky"), np.ones((4, 4), np.uint16), np.ones(2, int), np.ones((2, 5)), False)
    notes = [" ".join(_notes(run_with(500.0, "bias"), found, ledger, dithered=d)) for d in (True, False)]
    assert ["Intervals hold as much of it as both greens disagree about" in note for note in notes] == [
        False,
        True,
    ]


@pytest.mark.parametrize(("shared", "said"), [(None, False), (0.3, False), (np.nan, True)])
def test_it_is_said_where_too_little_is_empty_to_know_the_sky(ledger, shared, said):
    covariance = None if shared is None else np.full((2, 4, 4), shared)
    labels = np.ones((4, 4), np.uint16)
    found = Regions(("object", "sky"), labels, np.ones(2, int), np.ones((2, 5)), False, {}, covariance)
    note = " ".join(_notes(run_with(500.0, "bias"), found, ledger, dithered=True))
    assert ("Too little of the stack is empty sky" in note) is said


@pytest.mark.parametrize(("off", "shared", "said"), [(0.0, 0.0, False), (2.0, 0.0, True), (2.0, 4.0, False)])
def test_greens_that_differ_by_more_than_their_interval_are_told(off, shared, said):
    """By an error that all lights share, of which leaving out lights shows nothing, unless it is known."""
    light = 50 + np.random.default_rng(2).normal(0, 0.3, (6, 4, 1)) + np.array([0.0, off, 0.0, 0.0])[:, None]
    found = seen(light)
    found = replace(found, names=("object",), shared=shared * np.eye(4)[None])
    regions = Regions(("object",), np.ones((4, 4), np.uint16), np.ones(1, int), np.ones((1, 5)), False)
    note = " ".join(_notes(run_with(500.0, "bias"), regions, found, dithered=True))
    assert ("G1 and G2 see the same light, and differ by" in note) is said
