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
