"""Colours of lines against colour-science and the chromaticities of the CIE."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.linecolour import LINE_XYZ, XYZ_TO_SRGB, displayable, seen_colour
from fourlight.core.spectra import LINES_NM


def test_matching_functions_are_those_of_the_cie():
    """colour-science, 'CIE 1931 2 Degree Standard Observer', straight between nanometres."""
    colour = pytest.importorskip("colour")
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    assert set(LINE_XYZ) == set(LINES_NM)
    for name, xyz in LINE_XYZ.items():
        expected = [np.interp(LINES_NM[name], observer.wavelengths, observer.values[:, k]) for k in range(3)]
        np.testing.assert_allclose(xyz, expected, atol=1e-5)


@pytest.mark.parametrize(
    ("line", "x", "y"),
    [
        ("hbeta", 0.0635, 0.2192),
        ("oiii", 0.0068, 0.5557),
        ("halpha", 0.7288, 0.2712),
        ("sii", 0.7322, 0.2678),
    ],
)
def test_chromaticities_are_those_of_the_cie(line, x, y):
    """CIE 1931, to how much a tenth of a nanometre changes them."""
    xyz = np.array(LINE_XYZ[line])
    np.testing.assert_allclose(xyz[:2] / xyz.sum(), [x, y], atol=6e-4)


def test_matrix_is_that_of_srgb():
    """IEC 61966-2-1; colour-science has more digits."""
    colour = pytest.importorskip("colour")
    np.testing.assert_allclose(XYZ_TO_SRGB, colour.models.RGB_COLOURSPACE_sRGB.matrix_XYZ_to_RGB, atol=1.1e-4)


def test_photons_of_longer_waves_bring_less_light():
    one = seen_colour({"halpha": 1.0})
    by_hand = XYZ_TO_SRGB @ np.array(LINE_XYZ["halpha"]) * 500.68 / 656.28
    np.testing.assert_allclose(one, by_hand)
    np.testing.assert_allclose(
        seen_colour({"halpha": 1.0, "oiii": 2.0}), one + 2 * seen_colour({"oiii": 1.0})
    )


@pytest.mark.parametrize("line", sorted(LINE_XYZ))
def test_pure_light_is_shown_as_bright_as_it_is(line):
    """All lines lie outside of sRGB: what is shown lies at its edge, with the luminance of the line."""
    pure = seen_colour({line: 1.0})
    shown = displayable(pure)
    assert pure.min() < 0
    assert shown.min() == pytest.approx(0.0, abs=1e-12)
    weights = np.array([0.2126, 0.7152, 0.0722])
    assert shown @ weights == pytest.approx(pure @ weights, rel=1e-9)
    assert np.argmax(shown) == np.argmax(pure), "the strongest primary stays that"


def test_colours_that_a_display_has_stay():
    colours = np.array([[0.2, 0.5, 0.1], [1.0, 1.0, 1.0], [0.0, 0.3, 0.0]])
    np.testing.assert_allclose(displayable(colours), colours)
