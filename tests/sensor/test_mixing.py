"""The mixing matrix and what is not known of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fourlight.core.spectra import LINES_NM
from fourlight.errors import InputError
from fourlight.sensor.filters import in_bands, named_filter
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.mixing import COLUMNS, Ratios, mixing_matrix
from fourlight.sensor.response import Response
from fourlight.sensor.sensors import sensor

WAVE = np.arange(400.0, 701.0)
PYNEB = dict(
    line.split(",")
    for line in (Path(__file__).parents[1] / "authorities" / "spectral" / "lines.csv")
    .read_text("utf-8")
    .splitlines()
)
EXACT = Ratios(nii_sigma=0.0, balmer_part=0.0, reddening_sigma=0.0, sii_strong_sigma=0.0)


def grey():
    return Response("grey", WAVE, np.full((3, WAVE.size), 0.5), "absolute", "made up")


def test_halpha_counts_nitrogen_and_hbeta_by_photons():
    """By hand: energies 2.86 and 2.95 (of 2.94 to 3.05) turned into photons by the wavelengths."""
    found = mixing_matrix(LightPath(grey()), ("halpha",), replace(EXACT, nii=0.4)).values[:, 0]
    by_hand = 0.5 * (1 + 0.4 * (1 + 1 / 2.95) + 1 / 2.86 * 486.13 / 656.28)
    np.testing.assert_allclose(found, by_hand, rtol=1e-6)


def test_oxygen_counts_both_lines():
    """PyNeb 2.984 in energy against 2.98 of Storey & Zeippen 2000: 0.1 % of a quarter."""
    found = mixing_matrix(LightPath(grey()), ("oiii",)).values[:, 0]
    by_hand = 0.5 * (1 + 495.89 / 500.68 / float(PYNEB["[OIII] 5007/4959"]))
    np.testing.assert_allclose(found, by_hand, rtol=1e-3)


def test_sulphur_is_per_photon_of_both():
    np.testing.assert_allclose(mixing_matrix(LightPath(grey()), ("sii",)).values, 0.5)
    thin, dense = (float(PYNEB[f"[SII] 6716/6731 at {n} per cm3"]) for n in (1, 100000))
    assert 1 / (1 + dense) == pytest.approx(0.69, abs=0.01)
    assert 1 / (1 + thin) == pytest.approx(0.41, abs=0.01)
    assert abs(Ratios().sii_strong - 1 / (1 + float(PYNEB["[SII] 6716/6731 at 100 per cm3"]))) < 0.01


def test_hbeta_that_stands_for_itself_does_not_count_with_halpha():
    path = LightPath(grey())
    tied = mixing_matrix(path, ("halpha",), EXACT).values[:, 0]
    halpha, hbeta = mixing_matrix(path, ("halpha", "hbeta"), EXACT).values.T
    np.testing.assert_allclose(tied, halpha + EXACT.hbeta * hbeta)
    np.testing.assert_allclose(hbeta, 0.5)


def test_tilt_is_the_difference_of_two_slopes():
    """Light of 1 + s (wavelength - 550) / 100 photons per nm through a flat camera, by hand: 400 to 700 nm."""
    even, tilt = mixing_matrix(LightPath(grey()), ("continuum", "tilt")).values.T
    np.testing.assert_allclose(even, 0.5 * 300.0, rtol=1e-9)
    np.testing.assert_allclose(tilt, 0.0, atol=1e-9)
    band = LightPath(grey(), in_bands([(650.0, 4.0)]))
    even, tilt = mixing_matrix(band, ("continuum", "tilt")).values.T
    np.testing.assert_allclose(tilt / even, 1.0, rtol=1e-6)


def test_notes_on_continuum_do_not_contradict_each_other():
    path = LightPath(grey())
    even, both = (
        " ".join(mixing_matrix(path, columns).notes) for columns in (("continuum",), ("continuum", "tilt"))
    )
    assert "as many photons at every wavelength" in even
    assert "as many photons at every wavelength" not in both
    assert "more photons at one end" in both
    hot = mixing_matrix(path, ("continuum", "tilt"), Ratios(continuum_k=9000.0)).notes
    assert any("black body of 9000 K" in note for note in hot)


def test_dust_weakens_hbeta_as_in_the_handbook():
    """Cardelli, Clayton & Mathis 1989, R_V 3.1: E(B-V) = 0.701 doubles Hα / Hβ (2.86 to 5.72)."""
    assert Ratios(reddening_mag=0.701).hbeta / Ratios().hbeta == pytest.approx(0.5, rel=0.002)


def test_dust_that_nobody_named_is_an_error_of_hbeta():
    """Hβ falls by 10^(-0.4 x 1.07 E(B-V)) (Cardelli, Clayton & Mathis 1989, R_V 3.1; Hβ - Hα 1.07 of E(B-V), by hand
    from 0.346 of A(V)); how much dust may be there is common practice, no source."""
    alone = replace(EXACT, reddening_sigma=None)
    assert alone.hbeta_part == pytest.approx(1 - 10 ** (-0.4 * 1.073 * 0.5), abs=0.003)
    for given, off in ((0.0, 0.1), (0.2, 0.1), (0.8, 0.2), (2.0, 0.5)):
        found = replace(alone, reddening_mag=given).hbeta_part
        assert found == pytest.approx(1 - 10 ** (-0.4 * 1.073 * off), abs=0.003)
    assert replace(alone, balmer_part=0.3).hbeta_part == pytest.approx(np.hypot(0.3, alone.hbeta_part))


def test_the_error_of_hbeta_is_that_of_its_light():
    path = LightPath(grey())
    ratios = replace(EXACT, reddening_sigma=None)
    dusty = mixing_matrix(path, ("halpha",), replace(EXACT, reddening_mag=0.5)).values
    found = mixing_matrix(path, ("halpha",), ratios)
    np.testing.assert_allclose(found.sigma, found.values - dusty, rtol=1e-9)
    assert "Hβ at 0.259 +- 0.101 (without dust)" in found.notes[-1]


def test_a_narrow_filter_leaves_nitrogen_and_hbeta_out():
    path = LightPath(grey(), named_filter("dual-3nm"))
    poor, rich = (mixing_matrix(path, ("halpha",), Ratios(nii=n)).values[0, 0] for n in (0.0, 1.0))
    # The weak line of nitrogen stands 1.49 nm from the centre, at the half width; the strong one is held back.
    assert rich - poor == pytest.approx(0.5 / 2.95 * 2 ** -((1.49 / 1.5) ** 8), rel=0.01)
    assert poor == pytest.approx(0.5, rel=1e-3)


def test_dual_band_splits_red_from_green_and_blue():
    """Of CMOS through a dual filter, red tells of Hα, green and blue of [OIII]: common practice, no source."""
    found = mixing_matrix(LightPath(sensor("bsi-8mp"), named_filter("dual-7nm")))
    red, green, blue = found.values / found.values.max(axis=0)
    assert red[0] == 1.0
    assert green[1] == 1.0
    assert red[1] < 0.1 < blue[1]
    assert green[0] < 0.25
    assert blue[0] < 0.15


def test_continuum_is_flat_or_like_a_black_body():
    path = LightPath(grey(), in_bands([(450.0, 20.0), (650.0, 20.0)]))
    even, red, blue = (
        mixing_matrix(path, ("continuum",), Ratios(continuum_k=kelvin)).values[0, 0]
        for kelvin in (None, 3000.0, 20000.0)
    )
    assert red > even
    assert blue != even
    one = LightPath(grey(), in_bands([(550.0, 4.0)]))
    for kelvin in (None, 3000.0, 20000.0):
        found = mixing_matrix(one, ("continuum",), Ratios(continuum_k=kelvin)).values[0, 0]
        assert found == pytest.approx(0.5 * 4.0 * 0.9417 / 0.9552, rel=0.01), "one photon per nm at 550 nm"


def test_what_ratios_may_be_off_by_moves_their_column_alone():
    """Against the difference that one standard deviation makes."""
    path = LightPath(replace(sensor("bsi-8mp"), modes=np.zeros((0, 0, 0))))
    ratios = Ratios(nii=0.4, nii_sigma=0.2, balmer_part=0.0, reddening_sigma=0.0, sii_strong_sigma=0.1)
    found = mixing_matrix(path, COLUMNS, ratios)
    more = mixing_matrix(path, COLUMNS, replace(ratios, nii=0.6)).values - found.values
    np.testing.assert_allclose(found.sigma[:, 0], np.abs(more[:, 0]), rtol=1e-9)
    np.testing.assert_array_equal(found.sigma[:, 1], 0.0)
    np.testing.assert_array_equal(found.sigma[:, 3], 0.0)
    denser = mixing_matrix(path, COLUMNS, replace(ratios, sii_strong=0.53)).values - found.values
    np.testing.assert_allclose(found.sigma[:, 2], np.abs(denser[:, 2]), rtol=1e-9)


def test_covariance_is_that_of_drawn_cameras():
    camera, chosen = sensor("generic"), named_filter("dual-wide")
    found = mixing_matrix(LightPath(camera, chosen), ("halpha", "oiii"), EXACT)
    rng = np.random.default_rng(2)
    drawn = []
    for _ in range(3000):
        curves = camera.curves + np.tensordot(rng.standard_normal(len(camera.modes)), camera.modes, 1)
        one = replace(camera, curves=curves, modes=np.zeros((0, 0, 0)))
        drawn.append(mixing_matrix(LightPath(one, chosen), ("halpha", "oiii"), EXACT).values.ravel())
    scale = np.sqrt(np.outer(np.diag(found.covariance), np.diag(found.covariance)))
    np.testing.assert_allclose(np.cov(np.array(drawn).T) / scale, found.covariance / scale, atol=0.08)


def test_greens_are_told_apart_and_share_their_errors():
    found = mixing_matrix(LightPath(sensor("generic")), channels=("R", "G1", "G2", "B"))
    assert found.values.shape == (4, 2)
    np.testing.assert_array_equal(found.modes[:, 1], found.modes[:, 2])


def test_the_scale_of_the_camera_is_told_on():
    assert mixing_matrix(LightPath(sensor("slr-16mp"))).scale == "by colour"
    assert any("[NII] counts with Hα" in note for note in mixing_matrix(LightPath(grey())).notes)


@pytest.mark.parametrize("columns", [("halfa",), (), ("oiii", "oiii")])
def test_columns_that_cannot_be_are_refused(columns):
    with pytest.raises(InputError, match=r"did you mean halpha\?|name each kind of light once"):
        mixing_matrix(LightPath(grey()), columns)


@pytest.mark.parametrize(
    "wrong",
    [
        {"nii": -0.1},
        {"nii": float("nan")},
        {"sii_strong": 1.5},
        {"continuum_k": 0.0},
        {"reddening_mag": -1.0},
        {"reddening_sigma": -0.1},
    ],
)
def test_ratios_that_cannot_be_are_refused(wrong):
    with pytest.raises(InputError, match=r"(is|are) needed"):
        Ratios(**wrong)


def test_lines_are_those_of_the_table():
    assert LINES_NM["oiii"] == pytest.approx(float(PYNEB["oiii air nm"]), abs=0.006)
