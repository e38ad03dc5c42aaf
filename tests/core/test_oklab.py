"""Lightness and colour in the Oklab space, against its published values and colour-science."""

import colour as reference
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fourlight.core import oklab


@pytest.mark.parametrize(
    ("xyz", "lab"),
    [
        ((0.950, 1.000, 1.089), (1.000, 0.000, 0.000)),
        ((1.000, 0.000, 0.000), (0.450, 1.236, -0.019)),
        ((0.000, 1.000, 0.000), (0.922, -0.671, 0.263)),
        ((0.000, 0.000, 1.000), (0.153, -1.415, -0.449)),
    ],
)
def test_published_pairs(xyz, lab):
    """Ottosson 2020, "A perceptual color space for image processing", table of test values, three digits."""
    linear = reference.XYZ_to_RGB(np.array(xyz), "sRGB", apply_cctf_encoding=False)
    np.testing.assert_allclose(oklab.to_oklab(linear), lab, atol=2e-3)


def test_it_equals_colour_science_and_returns():
    rng = np.random.default_rng(3)
    rgb = rng.random((200, 3))
    lab = oklab.to_oklab(rgb)
    xyz = reference.RGB_to_XYZ(rgb, "sRGB", apply_cctf_decoding=False)
    np.testing.assert_allclose(lab, reference.XYZ_to_Oklab(xyz), atol=3e-4)
    np.testing.assert_allclose(oklab.from_oklab(lab), rgb, atol=1e-6)


def shown(rgb, lightness, strength=1.0):
    planes = [np.full((1, 1), value, np.float32) for value in rgb]
    return oklab.coloured(planes, np.full((1, 1), lightness, np.float32), strength)[:, 0, 0].astype(float)


@settings(deadline=None)  # the first one compiles
@given(st.tuples(*[st.floats(0.05, 1.0)] * 3), st.floats(0.05, 0.8), st.floats(0.0, 3.0))
def test_lightness_and_hue_are_kept(rgb, lightness, strength):
    """Up to the lightness from which displays are pale, whatever the colour."""
    light = shown(rgb, lightness, strength)
    assert light.min() >= 0
    assert light.max() <= 1
    got, own = oklab.to_oklab(light), oklab.to_oklab(rgb)
    assert got[0] == pytest.approx(lightness, abs=4e-3)
    if np.hypot(*got[1:]) > 0.03:
        apart = np.angle(complex(*got[1:]) / complex(*own[1:]))
        assert abs(apart) < 0.06


def test_weak_colours_keep_their_strength_and_strong_ones_stay_apart():
    grey = oklab.to_oklab(shown((1.0, 0.9, 0.9), 0.6))
    own = oklab.to_oklab((1.0, 0.9, 0.9))
    assert np.hypot(*grey[1:]) / 0.6 == pytest.approx(np.hypot(*own[1:]) / own[0], rel=1e-2)
    chroma = [
        np.hypot(*oklab.to_oklab(shown((1.0, other, other), 0.5))[1:]) for other in (0.4, 0.2, 0.1, 0.0)
    ]
    assert chroma == sorted(chroma)
    assert np.diff(chroma).min() > 1e-4


def test_degenerate_pixels():
    assert shown((0, 0, 0), 0.5) == pytest.approx([0.125] * 3, abs=1e-6)
    assert shown((-1, -1, -1), 0.5) == pytest.approx([0.125] * 3, abs=1e-6)
    assert shown((1, 0, 0), 0.0) == pytest.approx([0, 0, 0], abs=1e-6)
    assert shown((1, 0, 0), 2.0) == pytest.approx([1, 1, 1], abs=1e-6)
    assert shown((1, 0, 0), 0.5, 0.0) == pytest.approx([0.125] * 3, abs=1e-5)


def test_bright_strong_colours_are_pale_but_not_white():
    """A blue star in the light of a display: lighter than its surroundings, and still blue."""
    light = shown((0.5, 0.6, 1.0), 0.97)
    assert light[2] > 1.1 * light[0]
    assert oklab.to_oklab(light)[0] > 0.85
