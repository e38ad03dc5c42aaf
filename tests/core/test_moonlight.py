"""Krisciunas & Schaefer 1991, PASP 103, 1033: the printed formulas evaluated elsewhere."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.moonlight import dark_nl, magnitude, moon_nl, moon_scattering, moon_strength, nanolamberts


# Equation 1, read in two public implementations.
@pytest.mark.parametrize(
    ("mag", "nl"), [(21.587, 79.0), (22.0, 54.0), (21.5, 85.6), (20.0, 340.8), (18.0, 2150.1)]
)
def test_luminance_of_a_magnitude(mag: float, nl: float) -> None:
    assert nanolamberts(mag) == pytest.approx(nl, rel=1e-3)
    assert magnitude(nanolamberts(mag)) == pytest.approx(mag, abs=1e-9)


def test_worked_value_of_the_specsim_documentation() -> None:
    # Documentation example of the specsim library: V = 19.855, 389.5 nL.
    found = moon_nl(45.0, 70.0, 20.0, 50.0, 0.15)
    assert magnitude(found) == pytest.approx(19.855, abs=0.002)
    assert found == pytest.approx(389.5, rel=1e-3)


def test_half_moon_against_full_moon() -> None:
    # Equations 9 and 20.
    assert moon_strength(90.0) / moon_strength(0.0) == pytest.approx(0.0910, rel=5e-3)
    assert moon_strength(60.0) / moon_strength(0.0) == pytest.approx(0.2266, rel=5e-3)
    assert moon_strength(-60.0) == moon_strength(60.0)


# Equations 15 to 21 evaluated.
@pytest.mark.parametrize(
    ("separation", "value"), [(30.0, 665836.0), (60.0, 344772.0), (90.0, 250775.0), (120.0, 301516.0)]
)
def test_scattering(separation: float, value: float) -> None:
    assert moon_scattering(separation) == pytest.approx(value, rel=1e-5)


# Formulas of the paper evaluated with k = 0.172 and 79 nL at the zenith (no table of the paper was readable).
@pytest.mark.parametrize(
    ("phase", "moon_zenith", "zenith", "separation", "total"),
    [
        (0, 60, 0, 60, 18.662),
        (30, 60, 0, 60, 19.370),
        (60, 60, 0, 60, 20.048),
        (90, 60, 0, 60, 20.704),
        (0, 30, 0, 30, 17.860),
        (0, 60, 30, 45, 18.224),
        (0, 60, 30, 90, 18.845),
    ],
)
def test_whole_sky(phase: float, moon_zenith: float, zenith: float, separation: float, total: float) -> None:
    moon = moon_nl(phase, moon_zenith, zenith, separation, 0.172)
    assert magnitude(moon + dark_nl(magnitude(79.0), zenith, 0.172)) == pytest.approx(total, abs=3e-3)


def test_near_the_moon_its_light_is_held_for_every_command():
    """Equation 21 is for angles of 10 degrees and more; nearer, dust scatters as in equation 22."""
    assert moon_nl(0.0, 50.0, 30.0, 5.0, 0.2) == moon_nl(0.0, 50.0, 30.0, 10.0, 0.2)
    assert moon_nl(0.0, 50.0, 30.0, 10.0, 0.2) > moon_nl(0.0, 50.0, 30.0, 11.0, 0.2)


def test_moonlight_fades_below_the_horizon_and_ends() -> None:
    """As steeply as twilight of the Sun, 0.9 to 1.5 mag a degree: Patat and others 2006, A&A 455, 385."""
    light = [magnitude(moon_nl(0.0, zenith, 20.0, 90.0, 0.172)) for zenith in (89.999, 90.001, 92.0, 95.0)]
    assert light[1] - light[0] < 0.003
    assert 0.9 < (light[3] - light[2]) / 3 < 1.5
    assert moon_nl(0.0, 96.01, 20.0, 90.0, 0.172) == 0.0


def test_a_moon_that_rises_brightens_the_sky_without_a_jump() -> None:
    """A quarter of a degree is a minute of the Moon at most (it goes round in 24.8 hours)."""
    dark = dark_nl(21.8, 30.0, 0.172)
    sky = [
        magnitude(dark + moon_nl(0.0, zenith, 30.0, 80.0, 0.172)) for zenith in np.arange(98.0, 80.0, -0.25)
    ]
    assert np.abs(np.diff(sky)).max() < 0.25
    assert sky[0] - sky[-1] > 1.0
