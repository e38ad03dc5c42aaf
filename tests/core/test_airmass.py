"""Air mass and refraction against printed tables."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.airmass import air_mass, lifted_deg, refraction_arcmin


# Kasten & Young 1989, Applied Optics 28, 4735, as the pvlib library evaluates it.
@pytest.mark.parametrize(
    ("altitude", "mass"),
    [
        (90, 0.9997),
        (60, 1.1540),
        (30, 1.9943),
        (20, 2.9031),
        (10, 5.5860),
        (5, 10.3058),
        (1, 26.3106),
        (0, 37.9196),
    ],
)
def test_air_mass_of_a_table(altitude: float, mass: float) -> None:
    assert float(air_mass(altitude)) == pytest.approx(mass, abs=1e-4)


def test_air_mass_beside_other_formulas() -> None:
    """Pickering 2002 (DIO 12) by pvlib: within 0.2 % down to 10 degrees, 2.2 % at the horizon."""
    other = {60: 1.1541, 30: 1.9932, 20: 2.9001, 10: 5.5807, 5: 10.3337, 0: 38.7494}
    for altitude, mass in other.items():
        assert float(air_mass(altitude)) == pytest.approx(mass, rel=2e-3 if altitude >= 10 else 2.3e-2)


def test_a_plane_of_air_is_too_much_low_down() -> None:
    """1 / sin is 0.3 % high at 30 degrees and 3.1 % at 10."""
    for altitude, part in ((30.0, 0.003), (10.0, 0.031)):
        assert 1 / np.sin(np.radians(altitude)) / float(air_mass(altitude)) - 1 == pytest.approx(
            part, abs=5e-4
        )


def test_nothing_is_told_below_the_horizon() -> None:
    assert np.isnan(air_mass([-1.0, -60.0])).all()
    assert np.isfinite(air_mass(-0.4))


# Bennett 1982 in Meeus 1998, eq. 16.3 and example 16.a.
@pytest.mark.parametrize(("apparent", "arcmin"), [(0.5, 28.754), (0.0, 34.48), (45.0, 0.995)])
def test_refraction_of_worked_examples(apparent: float, arcmin: float) -> None:
    assert float(refraction_arcmin(apparent)) == pytest.approx(arcmin, abs=0.01)


def test_lifting_undoes_refraction() -> None:
    """Two formulas, which Meeus says agree to 0.1 arcmin."""
    apparent = np.array([0.5, 2.0, 10.0, 45.0, 80.0])
    true = apparent - refraction_arcmin(apparent) / 60
    assert np.abs(lifted_deg(true) - apparent).max() * 60 < 0.1
    assert float(lifted_deg(-20.0)) == -20.0
