"""The sRGB curve and colours that keep their ratios."""

import colour as reference
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fourlight.core import colour


@pytest.mark.parametrize(
    ("linear", "encoded"),
    [(0.001, 0.01292), (0.01, 0.0998528), (0.18, 0.4613561), (0.5, 0.7353570), (0.0, 0.0), (1.0, 1.0)],
)
def test_srgb_encode_gives_standard_values(linear, encoded):
    # IEC 61966-2-1, evaluated to seven digits
    assert colour.srgb_encode(linear) == pytest.approx(encoded, abs=1e-6)


@pytest.mark.parametrize(
    ("encoded", "linear"), [(0.5, 0.2140411), (0.2, 0.0331048), (128 / 255, 0.2158605), (0.04045, 0.0031308)]
)
def test_srgb_decode_gives_standard_values(encoded, linear):
    # IEC 61966-2-1
    assert colour.srgb_decode(encoded) == pytest.approx(linear, abs=1e-6)


def test_srgb_curve_equals_colour_science():
    values = np.linspace(0, 1, 1001)
    np.testing.assert_allclose(colour.srgb_encode(values), reference.cctf_encoding(values, "sRGB"), atol=1e-9)
    np.testing.assert_allclose(colour.srgb_decode(values), reference.cctf_decoding(values, "sRGB"), atol=1e-9)


@given(st.floats(0, 1))
def test_srgb_round_trip(value):
    assert float(colour.srgb_decode(colour.srgb_encode(value))) == pytest.approx(value, abs=2e-7)


def test_srgb_keeps_nan_and_float32():
    out = colour.srgb_encode(np.array([np.nan, 0.5], dtype=np.float32))
    assert out.dtype == np.float32
    assert np.isnan(out[0])


def test_luminance_weights_are_those_of_bt709():
    # ITU-R BT.709; colour-science derives 0.212639, 0.715169, 0.072192 from the primaries
    derived = reference.models.RGB_COLOURSPACE_BT709.matrix_RGB_to_XYZ[1]
    np.testing.assert_allclose(colour.luminance(np.eye(3)), derived, atol=1e-4)


def test_peaks_are_compressed_with_their_ratios_kept():
    # Lupton et al. 2004, abstract: colour does not depend on brightness, not even in saturated stars
    rgb = (np.random.default_rng(1).uniform(0.01, 1, (200, 3)) * np.geomspace(0.1, 1e4, 200)[:, None]).astype(
        "f4"
    )
    out = colour.compress_peaks(rgb)
    assert out.max() < 1.0001
    np.testing.assert_allclose(out[:, 0] / out[:, 1], rgb[:, 0] / rgb[:, 1], rtol=1e-5)
    np.testing.assert_allclose(out[:, 2] / out[:, 1], rgb[:, 2] / rgb[:, 1], rtol=1e-5)
    dim = rgb.max(axis=1) < 0.7
    np.testing.assert_array_equal(out[dim], rgb[dim])


def test_brighter_stays_brighter_through_the_compression():
    peak = np.geomspace(0.01, 1e3, 500, dtype=np.float32)
    out = colour.compress_peaks(np.stack([peak, peak / 2, peak / 3], axis=-1))[:, 0]
    assert (np.diff(out) > 0).all()


def test_cores_turn_pale_and_rims_keep_their_colour():
    peak = np.array([0.5, 0.7, 2.0, 50.0], dtype=np.float32)
    rgb = colour.compress_peaks(np.stack([peak * 0.3, peak * 0.5, peak], axis=-1))
    out = colour.lighten_cores(rgb, peak)
    np.testing.assert_array_equal(out[:2], rgb[:2])
    spread = out.max(axis=1) - out.min(axis=1)
    assert spread[3] < 0.5 * (rgb[3].max() - rgb[3].min())
    assert spread[3] > 0.1
    assert (np.argmax(out, axis=1) == 2).all()


def test_saturation_one_and_zero():
    ratios = np.array([[1.5, 1.0, 0.5]], dtype=np.float32)
    np.testing.assert_array_equal(colour.saturate(ratios, 1.0), ratios)
    np.testing.assert_array_equal(colour.saturate(ratios, 0.0), np.ones((1, 3)))
