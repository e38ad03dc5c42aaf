"""Atmospheric dispersion against the table of Filippenko 1982, PASP 94, 715 (site 2 km high, relative to 500 nm)."""

import numpy as np
import pytest

from fourlight.core.dispersion import refractivity, spread_arcsec

# Table I as copied on the pages of an observatory; rows above an air mass of 1.9 of that copy are shifted by one.
WAVES_NM = [350, 400, 450, 500, 550, 600, 650, 700]
TABLE = {
    1.05: [0.38, 0.20, 0.08, 0.00, -0.06, -0.11, -0.14, -0.17],
    1.25: [0.90, 0.48, 0.20, 0.00, -0.14, -0.25, -0.33, -0.40],
    1.50: [1.34, 0.71, 0.29, 0.00, -0.21, -0.37, -0.50, -0.60],
    1.80: [1.80, 0.95, 0.39, 0.00, -0.29, -0.50, -0.67],
}


@pytest.mark.parametrize("air_mass", TABLE)
def test_the_table(air_mass: float) -> None:
    zenith = np.degrees(np.arccos(1 / air_mass))
    np.testing.assert_allclose(
        spread_arcsec(WAVES_NM[: len(TABLE[air_mass])], zenith), TABLE[air_mass], atol=0.0051
    )


def test_standard_air() -> None:
    # index of dry air, 760 mmHg, 15 deg C, sodium light: 1.000277 (handbook value, from memory)
    assert refractivity(589.3, 760.0, 15.0, 0.0) == pytest.approx(2.771e-4, rel=5e-4)


def test_nothing_at_the_zenith() -> None:
    assert not spread_arcsec([400.0, 700.0], 0.0).any()
