"""Which lights are integrated together, and what is said of the others."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from fourlight.errors import InputError
from fourlight.frames import RawFrame, Role
from fourlight.stages.select import choose_lights, of_several_exposures


def light(number, role=Role.LIGHT, **facts):
    when = datetime(2030, 1, 1, tzinfo=UTC) + timedelta(minutes=number)
    known = {"exposure_s": 60.0, "camera": "A", "gain_setting": 100.0, "time": when} | facts
    return RawFrame(Path(f"{number:02d}.fits"), 0, 100, 120, role, "header", **known)


def test_lights_of_one_kind_come_in_time_order():
    frames = [light(3), light(1), light(2), light(9, time=None), light(5, Role.DARK)]
    chosen, aside, notes = choose_lights(frames, "")
    assert [f.path.name for f in chosen] == ["01.fits", "02.fits", "03.fits", "09.fits"]
    assert not aside
    assert not notes


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"camera": "B"}, "camera B instead of A"),
        ({"gain_setting": 200.0}, "gain setting 200 instead of 100"),
        ({"binning": 2}, "binning 2 instead of 1"),
        ({"filter_name": "Dual"}, "filter dual instead of (not said)"),
    ],
)
def test_another_kind_is_set_aside_with_what_differs(facts, words):
    chosen, aside, notes = choose_lights([*(light(k) for k in range(4)), light(7, **facts)], "")
    assert len(chosen) == 4
    assert [item.path.name for item in aside] == ["07.fits"]
    assert words in aside[0].reason
    assert "2 kinds" in notes[0]


@pytest.mark.parametrize("facts", [{"camera": "B"}, {"gain_setting": 200.0}, {"ny": 50}])
def test_lights_of_other_kinds_with_the_same_filter_go_along(facts):
    lights = [*(light(k) for k in range(4)), *(replace(light(7 + k), **facts) for k in range(2))]
    chosen, aside, notes = choose_lights(lights, "")
    assert len(chosen) == 6
    assert not aside
    assert "integrated together" in notes[0]
    chosen, aside, notes = choose_lights(lights, "", mix=False)
    assert (len(chosen), len(aside)) == (4, 2)
    assert "read.mix_kinds=false" in notes[0]


@pytest.mark.parametrize("facts", [{"binning": 2}, {"filter_name": "Dual"}])
def test_other_filters_and_binned_lights_do_not_go_along(facts):
    chosen, aside, _ = choose_lights(
        [*(light(k) for k in range(4)), *(light(7 + k, **facts) for k in range(2))], ""
    )
    assert (len(chosen), len(aside)) == (4, 2)


def test_a_lone_light_of_another_size_is_set_aside():
    odd = replace(light(7), ny=50)
    _, aside, _ = choose_lights([light(1), light(2), odd], "")
    assert "size 120 x 50 instead of 120 x 100" in aside[0].reason


def test_the_longest_total_exposure_wins():
    short = [light(k, filter_name="a", exposure_s=10.0) for k in range(6)]
    long = [light(10 + k, filter_name="b", exposure_s=60.0) for k in range(2)]
    chosen, aside, _ = choose_lights(short + long, "")
    assert {f.filter_name for f in chosen} == {"b"}
    assert len(aside) == 6
    chosen, aside, _ = choose_lights(short + long, "A")
    assert len(chosen) == 6
    assert "read.filter asks for A" in aside[0].reason


@pytest.mark.parametrize(
    ("frames", "name", "words"),
    [
        ([], "", "no lights among the frames found .none.; point at"),
        ([light(1, Role.DARK), light(2, Role.DARK), light(3, Role.FLAT)], "", "2 darks, 1 flat"),
        ([light(1)], "", "at least 2 lights"),
        ([light(1), light(2, camera="B")], "", "2 lights found, but no two of one kind .camera"),
        ([light(1, filter_name="L"), light(2)], "Ha", "no light has filter 'Ha'; found .*L.*read.filter"),
    ],
)
def test_what_cannot_make_a_stack(frames, name, words):
    with pytest.raises(InputError, match=words):
        choose_lights(frames, name)


def test_a_card_that_cannot_be_read_is_no_missing_card():
    odd = light(7, gain_setting=None, unread=(("gain_setting", "GAIN card 'abc' not readable"),))
    _, aside, _ = choose_lights([light(1), light(2), odd], "")
    assert aside[0].reason.startswith(
        "GAIN card 'abc' not readable instead of gain setting 100 of the lights"
    )


def test_a_kind_that_can_be_integrated_goes_before_a_longer_light_alone():
    lone = light(9, exposure_s=600.0, gain_setting=200.0)
    chosen, aside, _ = choose_lights([lone, light(1), light(2)], "")
    assert [f.path.name for f in chosen] == ["01.fits", "02.fits"]
    assert [item.path.name for item in aside] == ["09.fits"]


@pytest.mark.parametrize("gain", [100.0, 200.0])
def test_of_kinds_exposed_equally_long_the_one_with_calibration_frames_is_taken(gain):
    # Two of each, so that nothing but the darks tells them apart; the other way round the other one wins.
    lights = [light(k, gain_setting=100.0 * (1 + k % 2)) for k in range(4)]
    darks = [light(20 + k, Role.DARK, gain_setting=gain) for k in range(3)]
    assert {f.gain_setting for f in choose_lights(lights + darks, "", mix=False)[0]} == {gain}


def test_lights_of_several_exposures_are_told():
    assert of_several_exposures([light(1), light(2)]) == []
    (note,) = of_several_exposures([light(1), light(2), light(3, exposure_s=120.0)])
    assert note.startswith("the lights differ in exposure (2 of 60 s, 1 of 120 s); they are integrated")


def test_the_reason_does_not_count_lights_that_may_drop_out_later():
    _, aside, notes = choose_lights([*(light(k) for k in range(4)), light(7, camera="B")], "")
    assert aside[0].reason == (
        "camera B instead of A of the lights that are integrated; 2 of such a kind are needed"
    )
    assert "4" not in notes[0]


def test_copies_do_not_make_a_kind_longer():
    three = [light(k) for k in range(3)]
    two = [light(10 + k, gain_setting=200.0) for k in range(4)]
    assert {f.gain_setting for f in choose_lights(three + two, "", mix=False)[0]} == {200.0}
    spare = {frame.path for frame in two[:2]}
    chosen, aside, _ = choose_lights(three + two, "", spare=spare, mix=False)
    assert {f.gain_setting for f in chosen} == {100.0}
    assert len(aside) == 4
    chosen, _, _ = choose_lights(two[:2] + [light(1)], "", spare={two[0].path})
    assert len(chosen) == 2, "what is wrong with it is said where copies are set aside"


def test_what_is_wrong_with_others_is_said_once():
    with pytest.raises(InputError) as caught:
        choose_lights([light(1, Role.DARK)], "", left_out="1 file set aside (a: cut short)")
    assert "(1 dark; 1 file set aside (a: cut short)); point at the folders" in str(caught.value)
    assert "(1 dark); point at the folders" in caught.value.brief
    with pytest.raises(InputError) as caught:
        choose_lights([light(1)], "", left_out="2 lights set aside (a, b: cut short)")
    assert str(caught.value).startswith("1 light found; 2 lights set aside (a, b: cut short); at least 2")
    assert caught.value.brief.startswith("1 light found; at least 2")
