"""Stars through cameras against synphot, the standard system against printed values, spectra against Gaia."""

import csv
from pathlib import Path

import numpy as np
import pytest

from fourlight.core.abmag import ab_magnitudes
from fourlight.sensor.sensors import SENSORS
from fourlight.sky.starcolours import SUN_B_V, standard_colours, through
from fourlight.sky.starspectra import of_colour, star_spectra

AUTHORITIES = Path(__file__).parents[1] / "authorities" / "star_colours"
TABLES = Path(__file__).parents[2] / "src" / "fourlight" / "sensor" / "tables"
TYPES = Path(__file__).parents[2] / "src" / "fourlight" / "data" / "spectra" / "spectra.csv"


def rows(path):
    with path.open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def test_magnitudes_through_the_cameras_are_those_of_synphot():
    """Of the spectra as their source has them, in steps of 0.5 nm; ours are means over 1 nm in half precision."""
    spectra = star_spectra()
    kinds = [row["type"] + row["class"] for row in rows(TYPES)]
    checked = 0
    for row in rows(AUTHORITIES / "magnitudes.csv"):
        data = np.loadtxt(TABLES / f"{row['table']}.csv", delimiter=",", skiprows=1)
        curve = np.interp(
            spectra.wave_nm, data[:, 0], data[:, 1 + "RGB".index(row["colour"])], left=0, right=0
        )
        own = spectra.photons[kinds.index(row["type"])]
        seen = ab_magnitudes(spectra.wave_nm, curve[None], own[None])[0, 0]
        assert seen == pytest.approx(float(row["ab_less_v"]), abs=0.004), row
        checked += 1
    assert checked == 11 * 3 * len(SENSORS)


def test_standard_system_of_the_sun_and_of_vega():
    """Polynomials of Cardiel et al. 2021b at BP-RP 0.82 and 0: B, G, R less G of Gaia .4298, .1904, .0372 and -.1375,
    -.0233, .1098; G - V is -0.15 for the Sun (Casagrande & VandenBerg 2018, as remembered) and -0.01 to -0.03 at 0
    (Riello et al. 2021). Smoothing and the spectra's own G - V add 0.03."""
    found = standard_colours()
    assert found.channels == ("R", "G", "B")
    assert found.less_v(SUN_B_V) == pytest.approx(np.array([0.0372, 0.1904, 0.4298]) - 0.15, abs=0.03)
    assert found.less_v(0.0) == pytest.approx(np.array([0.1098, -0.0233, -0.1375]) - 0.02, abs=0.03)


def test_spectra_follow_the_relation_of_gaia():
    """G - V over BP-RP, Riello et al. 2021, appendix C: scatter 0.03 of stars around it."""
    spectra = star_spectra()
    x, use = spectra.bp_rp, spectra.usual & (spectra.b_v < 1.4)
    expected = -0.02704 + 0.01424 * x - 0.2156 * x**2 + 0.01426 * x**3
    off = (spectra.g_v - expected)[use]
    assert np.abs(off).max() < 0.05
    assert abs(off.mean()) < 0.02


def test_cameras_are_near_the_standard_system():
    """It is the mean of 28 cameras (Cardiel et al. 2021a), said to hold to 0.1 mag; ours behind a filter that cuts
    infrared are like them."""
    standard = standard_colours()
    for name in SENSORS:
        data = np.loadtxt(TABLES / f"{SENSORS[name][0]}", delimiter=",", skiprows=1)
        wave = np.arange(400.0, 691.0)
        curves = np.array([np.interp(wave, data[:, 0], column) for column in data[:, 1:].T])
        own = through(wave, curves, ("R", "G", "B"), name)
        for b_v in (0.0, 0.4, SUN_B_V, 1.0):
            assert own.less_v(b_v) == pytest.approx(standard.less_v(b_v), abs=0.1)


def test_dust_reddens_by_what_it_is_asked_for():
    """B and V of Bessell are 0.44 and 0.55 um: narrow bands there stand for them to a tenth of the reddening."""
    spectra = star_spectra()
    chosen = int(np.abs(spectra.b_v - 0.3).argmin())
    red = of_colour(float(spectra.b_v[chosen]) + 0.5, chosen, spectra)
    at = [int(np.abs(spectra.wave_nm - nm).argmin()) for nm in (442, 548)]
    ratio = -2.5 * np.log10(red[at] / spectra.photons[chosen][at])
    assert ratio[0] - ratio[1] == pytest.approx(0.5, abs=0.05)
    assert ratio[1] == pytest.approx(0.0, abs=0.02)


def test_b_v_comes_back_from_colours():
    found = standard_colours()
    for b_v in (-0.2, 0.3, 0.9, 1.3):
        assert found.b_v_of(found.less_v(b_v) + 7.0) == pytest.approx(b_v, abs=0.01)
    assert found.b_v_of(np.array([5.0, 5.0, 9.0])) is None


def test_air_leaves_the_colour_of_the_sun_and_reddens_the_others():
    wave = np.linspace(400.0, 700.0, 301)
    curves = np.vstack([np.exp(-0.5 * ((wave - middle) / 30) ** 2) for middle in (610, 540, 460)])
    air = np.where(wave < 550, 0.8, 1.0) * (wave / 550) ** 2
    without, with_air = (through(wave, curves, ("R", "G", "B"), "x", a) for a in (None, air))
    assert with_air.less_v(SUN_B_V) == pytest.approx(without.less_v(SUN_B_V), abs=1e-9)
    assert not np.allclose(with_air.less_v(0.0), without.less_v(0.0), atol=1e-4)
