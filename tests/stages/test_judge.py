"""Clouds, trails and bad focus: flagged where they can be used, set aside where not."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from fields import measured_frame, star_list
from fourlight.frames import FrameFlag, RegisteredFrame
from fourlight.recipe import Integrate
from fourlight.stages.judge import judge_light, judge_shapes, poor_nights

STARS = star_list(np.arange(5.0), np.arange(5.0), np.full((5, 4), 1e4))
NONE = star_list(np.empty(0), np.empty(0), np.empty((0, 4)))


def frame(name, width=3.0, long=1.1, sky=100.0, stars=STARS, exposure=60.0, time=True):
    plain = measured_frame(name, stars, (100, 100), width)
    when = datetime(2030, 1, 1, tzinfo=UTC) if time else None
    return replace(plain, raw=replace(plain.raw, exposure_s=exposure, time=when), elongation=np.full(4, long),
                   sky=np.full(4, sky))  # fmt: skip


def usual(count=8):
    rng = np.random.default_rng(1)
    return [
        frame(f"{k}.fits", 3 + rng.normal(0, 0.1), 1.1 + rng.normal(0, 0.02), 100 + k) for k in range(count)
    ]


@pytest.mark.parametrize(
    ("odd", "flag"),
    [
        ({}, FrameFlag.NONE),
        ({"width": 4.5}, FrameFlag.DEFOCUSED),
        ({"long": 1.7}, FrameFlag.TRAILED),
        ({"sky": 300.0}, FrameFlag.BRIGHT_SKY),
        ({"time": False}, FrameFlag.NO_DATE),
        ({"width": 4.5, "long": 1.7}, FrameFlag.DEFOCUSED | FrameFlag.TRAILED),
    ],
)
def test_partial_trouble_is_a_flag(odd, flag):
    kept, aside = judge_shapes([*usual(), frame("odd.fits", **odd)])
    assert not aside
    assert [f.flags for f in kept] == [FrameFlag.NONE] * 8 + [flag]


@pytest.mark.parametrize(("odd", "words"), [({"width": 7.0}, "out of focus"), ({"long": 2.6}, "trailed")])
def test_frames_far_off_are_set_aside_by_name(odd, words):
    kept, aside = judge_shapes([*usual(), frame("odd.fits", **odd)])
    assert len(kept) == 8
    assert [item.path.name for item in aside] == ["odd.fits"]
    assert words in aside[0].reason
    assert "usual" in aside[0].reason


def test_what_is_usual_in_these_nights_is_no_fault():
    kept, aside = judge_shapes([frame(f"{k}.fits", 9.0, 2.5) for k in range(5)])
    assert not aside
    assert all(f.flags == FrameFlag.NONE for f in kept)


def test_frames_that_are_all_trailed_are_kept_and_said():
    said = poor_nights([frame(f"{k}.fits", 3.0, 2.5) for k in range(5)])
    assert len(said) == 1
    assert "2.5 times as long as wide" in said[0]
    assert poor_nights(usual()) == []
    assert poor_nights([frame("blank.fits", long=np.nan)]) == []


def test_the_sky_of_a_longer_exposure_is_not_bright():
    kept, _ = judge_shapes([*usual(), frame("long.fits", sky=400.0, exposure=240.0)])
    assert FrameFlag.BRIGHT_SKY not in kept[-1].flags
    kept, _ = judge_shapes([*usual(), frame("short.fits", sky=100.0, exposure=20.0)])
    assert FrameFlag.BRIGHT_SKY in kept[-1].flags


def test_frames_without_stars_are_left_to_registration():
    kept, aside = judge_shapes([*usual(), frame("blank.fits", stars=NONE)])
    assert len(kept) == 9
    assert not aside
    kept, aside = judge_shapes([frame(f"{k}.fits", stars=NONE) for k in range(3)])
    assert len(kept) == 3


def placed(measured, light):
    return RegisteredFrame(measured, np.eye(2, 3), 0.1, 50, np.full(4, light), light=light)


def test_clouds_and_caps():
    frames = [placed(f, 1.0) for f in usual()]
    frames += [placed(frame("thin.fits"), 0.6), placed(frame("thick.fits"), 0.1)]
    kept, aside = judge_light(frames, Integrate())
    assert [item.path.name for item in aside] == ["thick.fits"]
    assert "10 % of the usual starlight" in aside[0].reason
    assert "integrate.min_transparency" in aside[0].reason
    assert [FrameFlag.CLOUD in f.flags for f in kept] == [False] * 8 + [True]
    kept, aside = judge_light(frames, Integrate(min_transparency=0.0))
    assert not aside


def test_a_short_exposure_is_no_cloud():
    frames = [placed(f, 1.0) for f in usual()] + [placed(frame("short.fits", exposure=15.0), 0.25)]
    kept, aside = judge_light(frames, Integrate())
    assert not aside
    assert FrameFlag.CLOUD not in kept[-1].flags
    assert judge_light([], Integrate()) == ([], [])
