"""Profiles of displays, read by the colour engine of Pillow (Little CMS) and compared with colour-science."""

from io import BytesIO

import colour as reference
import numpy as np
import pytest
from PIL import Image, ImageCms

from fourlight.core.colour import DISPLAY_P3, SRGB, to_xyz
from fourlight.io.export import srgb_profile
from fourlight.io.icc import display_profile


def opened(data):
    return ImageCms.ImageCmsProfile(BytesIO(data))


def shown(values, source, target):
    """8-bit colours of one profile as another shows them."""
    image = Image.fromarray(np.asarray(values, dtype=np.uint8).reshape(1, -1, 3))
    done = ImageCms.profileToProfile(image, opened(source), opened(target), renderingIntent=1)
    return np.asarray(done)[0].astype(int)


def test_primaries_are_those_of_colour_science():
    space = reference.RGB_COLOURSPACES["Display P3"]
    np.testing.assert_allclose(to_xyz(DISPLAY_P3), space.matrix_RGB_to_XYZ, atol=2e-4)


def test_it_is_read_and_named():
    profile = opened(display_profile("Display P3", DISPLAY_P3))
    assert ImageCms.getProfileDescription(profile).strip() == "Display P3"
    assert profile.profile.xcolor_space.strip() == "RGB"
    white = profile.profile.media_white_point
    np.testing.assert_allclose(white[0], (0.9642, 1.0, 0.8249), atol=1e-3)


def test_with_the_primaries_of_srgb_it_changes_nothing():
    colours = np.random.default_rng(2).integers(0, 256, (200, 3))
    assert np.abs(shown(colours, display_profile("sRGB", SRGB), srgb_profile()) - colours).max() <= 1


@pytest.mark.parametrize("rgb", [(128, 128, 128), (200, 120, 90), (60, 140, 150), (90, 60, 160)])
def test_colours_within_srgb_are_converted_as_colour_science_does(rgb):
    wide = shown([rgb], srgb_profile(), display_profile("Display P3", DISPLAY_P3))[0]
    linear = reference.cctf_decoding(np.array(rgb) / 255, "sRGB")
    other = reference.RGB_to_RGB(linear, "sRGB", "Display P3")
    np.testing.assert_allclose(wide, 255 * reference.cctf_encoding(other, "sRGB"), atol=1.5)


def test_its_size_and_places_are_what_the_header_says():
    """ICC.1:2010, 7.2: size in the first four bytes, signature at 36; tags at multiples of four bytes."""
    data = display_profile("Display P3", DISPLAY_P3)
    assert int.from_bytes(data[:4], "big") == len(data)
    assert data[36:40] == b"acsp"
    count = int.from_bytes(data[128:132], "big")
    for k in range(count):
        place = int.from_bytes(data[132 + 12 * k + 4 : 132 + 12 * k + 8], "big")
        assert place % 4 == 0
        assert place < len(data)
