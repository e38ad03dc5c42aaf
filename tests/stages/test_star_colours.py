"""Red and blue in each other's place: told by stars of many colours, and by no others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fields import measured_frame, star_list
from fourlight.core.matching import Match
from fourlight.frames import RegisteredFrame, StarList
from fourlight.stages.star_colours import exchanged, unlike_most

COUNT = 40


def stars(seed: int, spread: float, error: float = 30.0, turned: bool = False) -> StarList:
    """One field again with noise of its own; colours scatter by ``spread`` in the logarithm of red over blue."""
    field = np.random.default_rng(1)
    light = 10 ** field.uniform(3, 4.5, COUNT)
    colour = field.normal(0.4, spread, COUNT)
    flux = light[:, None] * np.exp(np.outer(colour, [0.5, 0, 0, -0.5]))
    flux = flux[:, ::-1] if turned else flux
    noisy = flux + np.random.default_rng(seed).normal(0, error, flux.shape)
    place = np.arange(COUNT, dtype=float)
    made = star_list(place, place, noisy, error)
    order = np.argsort(made.x)
    return replace(made, x=made.x[order], y=made.y[order], flux=made.flux[order])


def matched() -> Match:
    index = np.arange(COUNT)
    return Match(np.eye(2, 3), index, index, 0.01, 0.01)


def test_stars_of_many_colours_tell() -> None:
    """0.35 in ln(R / B) between stars is common: ten times as hot is about 1 (from memory)."""
    assert exchanged(stars(2, 0.35, turned=True), stars(3, 0.35), matched())
    assert exchanged(stars(2, 0.35), stars(3, 0.35, turned=True), matched())
    assert not exchanged(stars(2, 0.35), stars(3, 0.35), matched())


@pytest.mark.parametrize("turned", [False, True])
def test_stars_of_one_colour_do_not(turned: bool) -> None:
    found = [
        exchanged(stars(seed, 0.0, turned=turned), stars(seed + 500, 0.0), matched()) for seed in range(200)
    ]
    assert not any(found)


def test_frames_read_alike_are_never_parted() -> None:
    found = [
        exchanged(stars(seed, spread, error), stars(seed + 500, spread, error), matched())
        for seed in range(100)
        for spread, error in ((0.1, 60.0), (0.2, 100.0), (0.5, 30.0))
    ]
    assert not any(found)


def test_few_stars_do_not_tell() -> None:
    index = np.arange(8)
    few = Match(np.eye(2, 3), index, index, 0.01, 0.01)
    assert not exchanged(stars(2, 0.35, turned=True), stars(3, 0.35), few)


def registered(name: str, turned: bool) -> RegisteredFrame:
    frame = measured_frame(name, stars(1, 0.3), (100, 100))
    return RegisteredFrame(frame, np.eye(2, 3), 0.0, COUNT, exchanged=turned)


def test_most_lights_are_right() -> None:
    frames = [registered(f"{n}.fits", n == 3) for n in range(5)]
    kept, aside = unlike_most(frames, frames[0].measured)
    assert [item.path.name for item in aside] == ["3.fits"]
    assert len(kept) == 4


def test_a_reference_unlike_all_others_is_the_one_set_aside() -> None:
    frames = [registered(f"{n}.fits", n > 0) for n in range(4)]
    kept, aside = unlike_most(frames, frames[0].measured)
    assert not kept
    assert [item.path.name for item in aside] == ["0.fits"]


def test_one_more_than_the_others_is_most_of_them() -> None:
    """Three against the reference and one like it: the reference is wrong."""
    frames = [registered(f"{n}.fits", n > 1) for n in range(5)]
    kept, aside = unlike_most(frames, frames[0].measured)
    assert not kept
    assert [item.path.name for item in aside] == ["0.fits"]
    assert "nothing tells which" not in aside[0].reason


def test_of_two_lights_nothing_tells_which_is_wrong() -> None:
    frames = [registered("0.fits", False), registered("1.fits", True)]
    kept, (item,) = unlike_most(frames, frames[0].measured)
    assert kept == frames[:1]
    assert item.path.name == "1.fits"
    assert item.reason.startswith(
        "its red stars are blue in the other light and its blue ones red: one of the two"
    )
    assert "nothing tells which" in item.reason


def test_half_of_the_lights_stay_with_the_reference_and_nothing_is_claimed() -> None:
    frames = [registered(f"{n}.fits", n % 2 == 1) for n in range(4)]
    kept, aside = unlike_most(frames, frames[2].measured)
    assert [frame.measured.raw.path.name for frame in kept] == ["0.fits", "2.fits"]
    assert [item.path.name for item in aside] == ["1.fits", "3.fits"]
    assert all("nothing tells which" in item.reason for item in aside)
