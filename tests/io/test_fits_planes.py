"""Planes of a file of results: against astropy."""

import numpy as np
import pytest
from astropy.io import fits

from fourlight.errors import InputError
from fourlight.io.fits_planes import planes_and_units, planes_of


def test_planes_are_those_of_astropy(tmp_path):
    rng = np.random.default_rng(4)
    light, counts = (
        rng.normal(0, 1, (40, 50)).astype(np.float32),
        rng.integers(0, 9, (40, 50)).astype(np.int16),
    )
    light[3, 4] = np.nan
    units = [
        fits.PrimaryHDU(), fits.ImageHDU(light, name="R"), fits.ImageHDU(counts, name="SAMPLES_R"),
        fits.ImageHDU(np.zeros((2, 3, 4), np.float32), name="CUBE"),
    ]  # fmt: skip
    units[1].header["BUNIT"] = "adu"
    fits.HDUList(units).writeto(tmp_path / "stack.fits")
    found = planes_of(tmp_path / "stack.fits")
    again, units = planes_and_units(tmp_path / "stack.fits")
    assert again.keys() == found.keys()
    assert units == {"R": "adu", "SAMPLES_R": ""}
    assert list(found) == ["R", "SAMPLES_R"]
    np.testing.assert_array_equal(found["R"].read(2, 30, 1, 44), light[2:30, 1:44])
    np.testing.assert_array_equal(found["SAMPLES_R"].read(0, 40, 0, 50), counts)


def test_what_is_no_fits_is_told(tmp_path):
    path = tmp_path / "stack.fits"
    path.write_bytes(b"nothing")
    with pytest.raises(InputError, match=r"stack\.fits: cannot be read"):
        planes_of(path)
    with pytest.raises(InputError, match="No such file"):
        planes_of(tmp_path / "other.fits")
