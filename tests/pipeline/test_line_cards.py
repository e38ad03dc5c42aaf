"""Cards of maps of lines."""

from __future__ import annotations

import pytest
from astropy.io import fits

from fourlight.pipeline import line_files


@pytest.mark.parametrize(
    ("filled", "meaning"), [(False, "common to all pixels"), (True, "by darkest parts: field is filled")]
)
def test_the_error_of_the_sky_says_what_it_holds(filled, meaning):
    """A card holds 80 characters (FITS 4.0, 4.1): nothing of the meaning is cut off."""
    kind = {
        "unit": "electron", "noise_correlation": None, "per_photon": None, "scale_error": 0.1,
        "sky_error": 0.012345678901234567,
    }  # fmt: skip
    facts = {"kinds": {"oiii": kind}, "leak": {"oiii": {"oiii": 0.01}}, "filled": filled}
    value, comment = line_files._about("oiii", facts)["SKYERR"]
    card = fits.Card.fromstring(str(fits.Card("SKYERR", value, comment)))
    assert card.comment == comment
    assert comment.endswith(meaning)
