"""Responses with what is not known of them."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fourlight.errors import InputError
from fourlight.sensor.response import REACH_NM, Response, own_scales, with_error

WAVE = np.arange(400.0, 701.0, 5.0)


def hump(centre, width=60.0):
    return np.exp(-0.5 * ((WAVE - centre) / width) ** 2)


def made(channels=("R", "G", "B")):
    curves = np.array([hump(600), 0.9 * hump(540), 0.8 * hump(460)])
    return Response("made", WAVE, curves[: len(channels)], "absolute", "made up", channels=channels)


def test_between_rows_it_is_straight_and_outside_it_is_zero():
    response = made()
    found = response.at(np.array([399.0, 402.5, 701.0]))
    assert found[:, 0].tolist() == [0.0, 0.0, 0.0]
    assert found[:, 2].tolist() == [0.0, 0.0, 0.0]
    np.testing.assert_allclose(found[:, 1], response.curves[:, :2].mean(axis=1))


def test_an_error_is_as_large_as_it_is_said_to_be_everywhere():
    response = with_error(made(), 0.07, "by test")
    np.testing.assert_allclose(response.sigma, 0.07 * response.curves, rtol=1e-12)
    assert "7 %" in response.notes[-1]


def test_errors_far_apart_and_of_two_colours_are_independent():
    response = with_error(made(), 0.05, "by test")
    near, far = (response.modes_at(np.array([500.0, 500.0 + d])) for d in (5.0, 2.0 * REACH_NM + 1))

    def alike(pair, one, other):
        a, b = pair[:, one, 0], pair[:, other, 1]
        return float(a @ b / np.sqrt((a @ a) * (b @ b)))

    assert alike(near, 1, 1) > 0.9
    assert alike(far, 1, 1) == 0.0
    assert alike(near, 0, 1) == 0.0


def test_greens_are_made_from_green_and_back():
    four = with_error(made(), 0.05, "x").seen_by(("R", "G1", "G2", "B"))
    np.testing.assert_array_equal(four.curves[1], four.curves[2])
    np.testing.assert_array_equal(four.modes[:, 1], four.modes[:, 2])
    back = four.seen_by(("R", "G", "B"))
    np.testing.assert_allclose(back.curves, made().curves)


def test_what_is_not_there_is_refused():
    with pytest.raises(
        InputError, match="made: channel B is asked for, it has R, G; name a curve that has it"
    ):
        made(("R", "G")).seen_by(("R", "B"))
    with pytest.raises(InputError, match=r"runs from 400 to 700 nm, \[SII\] at 720 nm lies outside"):
        made().need(720.0, "[SII]")
    made().need(700.0, "the end itself")


def test_curves_must_fit_their_wavelengths():
    with pytest.raises(ValueError, match="another shape"):
        Response("x", WAVE, np.ones((3, 4)), "absolute", "made up")


@settings(deadline=None)
@given(st.floats(0.0, 0.02), st.floats(0.1, 5.0))
def test_own_scales_are_known_by_their_tops(apart, unit):
    curves = unit * np.array([[0.1, 1.0], [0.3, 1.0 - apart], [1.0, 0.0]])
    assert own_scales(curves) == (apart <= 0.005) or abs(apart - 0.005) < 1e-9


def test_it_goes_to_another_process():
    there = pickle.loads(pickle.dumps(with_error(made(), 0.05, "x")))
    np.testing.assert_array_equal(there.modes, with_error(made(), 0.05, "x").modes)
