"""What brightness is made of: the best signal-to-noise ratio but for two in a thousand, and how much better that is."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from fourlight.recipe_finish import Finish
from fourlight.stages.balance import LOST, best_weights, brightness_of, signal_to_noise
from fourlight.stages.coverage import Sheet
from fourlight.stages.display import Field
from fourlight.stages.finish import finish
from fourlight.stages.gradient import Empty
from fourlight.stages.picture_parts import Source
from painted_scenes import paint

positive, usual = st.floats(0.01, 100.0), st.floats(0.3, 3.0)
"""Signal and variance of channels: whatever, and as cameras and filters make them differ."""


@settings(deadline=None)
@given(st.tuples(positive, positive, positive), st.tuples(positive, positive, positive))
def test_no_weights_are_much_better(signal, variance):
    """Against the search of scipy over all weights."""
    s, v = np.array(signal), np.array(variance)
    own = signal_to_noise(best_weights(s, v), s, v)
    start = s / v / (s / v).sum()
    found = minimize(lambda w: -signal_to_noise(np.abs(w) + 1e-12, s, v), start, method="Nelder-Mead")
    assert own >= (1 - LOST) * -found.fun - 1e-6
    assert own >= 0.99 * np.sqrt((s**2 / v).sum())


@settings(deadline=None)
@given(st.tuples(usual, usual, usual), st.tuples(usual, usual, usual))
def test_every_colour_is_seen(signal, variance):
    weights = best_weights(np.array(signal), np.array(variance))
    assert weights.sum() == pytest.approx(1.0)
    assert weights.min() > 0.02


def test_wings_of_bright_stars_are_no_light_of_the_object():
    """A tenth of what is no sky lies under blue wings that no mask reaches, thirty times as bright as the object."""
    shape, none = (60, 100), np.zeros(0)
    signal, wings, variance = (
        np.array([3.0, 2.0, 1.0]),
        np.array([40.0, 60.0, 90.0]),
        np.array([2.0, 1.0, 2.0]),
    )
    y, x = np.indices(shape)
    lit = x >= 50
    near = lit & (np.hypot(y - 30, x - 75) < 9.8)
    image = [(s * lit + w * near).astype(np.float32) for s, w in zip(signal, wings, strict=True)]
    sheet = Sheet(image, [np.full(shape, v, np.float32) for v in variance], None, image, np.ones(shape, bool))
    found = brightness_of(
        sheet, Empty(~lit, np.zeros(shape, bool), ()), Field(none, none, 3.0, none.astype(bool), none)
    )
    best = np.sqrt((signal**2 / variance).sum())
    assert signal_to_noise(found.weights, signal, variance) >= 0.99 * best


def test_ratios_over_other_choices_are_those_that_are_measured_on_the_picture():
    """Light of the object over the scatter of the empty sky, for weights by information and for even ones."""
    scene = paint(kind="dual", ny=300, nx=420, stars=20)
    source = Source(scene.planes, scene.variances, scene.halves, scene.stars)
    made = {use: finish(source, Finish.model_validate({"luminance": {"use": use}})) for use in (True, False)}
    np.testing.assert_allclose(made[False].weights, 1 / 3)
    assert "the mean of the channels" in made[True].notes["luminance"][0]
    said = float(made[True].notes["luminance"][0].split(" times that of the mean")[0].split()[-1])
    light = {name: scene.glow[name] for name in "RGB"}
    noise = {name: float(np.median(scene.variances[name])) for name in "RGB"}
    bright = scene.glow["R"] + scene.glow["G"] > np.median(scene.glow["R"] + scene.glow["G"])
    gains = _gains(made[True])
    s = np.array([gains[k] * light[name][bright].mean() for k, name in enumerate("RGB")])
    v = np.array([gains[k] ** 2 * noise[name] for k, name in enumerate("RGB")])
    ratio = signal_to_noise(made[True].weights, s, v) / signal_to_noise(np.full(3, 1 / 3), s, v)
    assert said == pytest.approx(ratio, rel=0.15)
    assert said > 1.0


def _gains(picture):
    """Factors of the balance as the note on it tells them."""
    words = picture.notes["colour"][0]
    red, blue = (float(words.split(f"{c} x ")[1].split(" ")[0].rstrip(",)")) for c in "RB")
    return np.array([red, 1.0, blue])


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_without_an_object_the_noise_decides_and_nothing_is_said_of_it(seed):
    """Seed 2 has a bright star whose wings fill a third of the field, seed 5 a sky that is told badly."""
    scene = paint(kind="none", ny=200, nx=200, stars=20, seed=seed)
    assert "times" not in _told_of_brightness(scene)


@pytest.mark.parametrize("seed", [1, 2, 4])
def test_an_object_among_bright_stars_is_told_of(seed):
    scene = paint(kind="galaxy", ny=200, nx=200, stars=20, seed=seed)
    assert "times that of green alone" in _told_of_brightness(scene)


def _told_of_brightness(scene):
    settings = Finish.model_validate({"denoise": {"use": False}})
    source = Source(scene.planes, scene.variances, scene.halves, scene.stars)
    (note,) = finish(source, settings).notes["luminance"]
    return note
