"""Lines of stacks whose place is known: stars teach the camera, maps have coordinates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from fourlight.core.cfa import COLOURS
from fourlight.core.unmix import gain_of
from fourlight.io.fits_amending import amend
from fourlight.io.fits_writing import write_planes
from fourlight.pipeline.line_files import sky_cards
from fourlight.pipeline.line_request import Asked
from fourlight.pipeline.lines import lines_on
from fourlight.pipeline.plate import Known
from fourlight.pipeline.run import run
from fourlight.pipeline.solving import solve_results
from fourlight.recipe import Recipe, with_settings
from fourlight.sensor.filters import named_filter
from fourlight.sensor.mixing import mixing_matrix
from fourlight.sensor.sensors import sensor
from fourlight.sky.starspectra import star_spectra
from sky_lights import write_lights

BSI = sensor("bsi-8mp")
LINES_NM = (656.28, 500.68, 495.89)


def star_light(seen, wave, b_v):
    """Electrons (3,) of a star: the measured spectrum of that B-V (Pickles 1998) summed through the curves."""
    spectra = star_spectra()
    nearest = int(np.abs(np.where(spectra.usual, spectra.b_v, np.inf) - b_v).argmin())
    return seen @ np.interp(wave, spectra.wave_nm, spectra.photons[nearest])


def lines_through(camera, passed):
    """(3, 2) electrons of a photon of Hα and of [OIII], read from the curves at the wavelengths of the lines.

    656.28, 500.68 and 495.89 nm (NIST); 5007 has 2.98 times the energy of 4959 (Storey & Zeippen 2000).
    """
    halpha, strong, weak = ((camera.at(w) * passed.at(w))[:, 0] for w in (np.array([nm]) for nm in LINES_NM))
    return np.column_stack([halpha, (2.98 * strong + weak) / 3.98])


@pytest.fixture(scope="module")
def solved(tmp_path_factory):
    """Stars of the catalogue behind a dual filter, by a camera that is not the generic one; and its matrix."""
    folder = tmp_path_factory.mktemp("stars")
    generic, chosen = sensor("generic"), named_filter("dual-7nm")
    z = np.random.default_rng(6).standard_normal(len(generic.modes))
    curves = np.maximum(generic.curves + np.tensordot(z, generic.modes, 1), 0.0)
    true = replace(generic, curves=curves, modes=np.zeros((0, *curves.shape)))
    wave = np.arange(400.0, 700.0)
    seen = true.at(wave) * chosen.at(wave)
    usual = star_light(seen, wave, 0.6)[1]

    def colours(b_v):
        red, green, blue = star_light(seen, wave, b_v) / usual
        return float(red), float(green), float(blue)

    write_lights(folder / "raw", 8, colours=colours)
    run(
        [folder / "raw"],
        folder / "out",
        with_settings(Recipe(), ["evidence.channels=false", "evidence.claims=false"]),
    )
    solve_results(folder / "out", Known())
    return folder, lines_through(true, chosen)


def leak(matrix, true, noise):
    """Part of true Hα that unmixing by a matrix takes for [OIII], over what it takes for Hα."""
    taken = gain_of(matrix, noise) @ true[:, 0]
    return abs(taken[1] / taken[0])


def test_stars_of_known_colour_teach_the_camera(solved):
    folder, true = solved
    chosen = Asked(sensor("generic"), named_filter("dual-7nm"))
    facts = lines_on(folder / "out", chosen)
    assert facts["stars"]["used"], facts["stars"]
    assert facts["stars"]["stars"] >= 20
    assert facts["leak"]["oiii"]["halpha"] < 0.7 * facts["stars"]["leak_before"]["oiii"]["halpha"]
    prior = mixing_matrix(chosen.path, channels=COLOURS).values
    noise = np.array([9.0, 4.0, 5.0])
    before, after = (leak(matrix, true, noise) for matrix in (prior, np.array(facts["matrix"])))
    assert after < before
    assert after < 3 * facts["leak"]["oiii"]["halpha"]


def test_maps_have_coordinates(solved):
    folder, _ = solved
    lines_on(folder / "out", Asked(sensor("generic"), named_filter("dual-7nm")))
    with (
        fits.open(folder / "out" / "stack.fits") as stack,
        fits.open(folder / "out" / "lines.fits") as maps,
    ):
        for name in ("HALPHA", "VAR_OIII", "COV_HALPHA_OIII"):
            here, there = (
                WCS(header).all_pix2world(100, 80, 0) for header in (maps[name].header, stack["G"].header)
            )
            np.testing.assert_allclose(here, there)


def test_lines_that_were_told_before_get_coordinates_too(solved):
    folder, _ = solved
    path = folder / "out" / "lines.fits"
    lines_on(folder / "out", Asked(sensor("generic"), named_filter("dual-7nm")))
    amend(path, folder / "bare.fits", {})
    (folder / "bare.fits").replace(path)
    assert "CTYPE1" not in fits.getheader(path, "OIII")
    solve_results(folder / "out", Known())
    assert fits.getheader(path, "OIII")["CTYPE1"].startswith("RA---TAN")
    fits.open(path, checksum=True).close()


def test_maps_have_no_zero_points_of_a_plane(tmp_path):
    """MAGZERO of the red plane is that of its own unit; Hα is in others."""
    path, solved = tmp_path / "stack.fits", tmp_path / "solved.fits"
    write_planes(path, {}, [("R", np.ones((8, 9), np.float32), {"BUNIT": "electron"})])
    place = {"CTYPE1": ("RA---TAN", ""), "CD1_1": (-1e-4, ""), "A_2_0": (1e-7, "")}
    amend(path, solved, place, {"R": {"MAGZERO": (21.5, "[mag]"), "MAGZERR": (0.02, "[mag]")}})
    assert fits.getheader(solved, 1)["MAGZERO"] == 21.5
    assert sky_cards(solved) == place


def test_a_camera_that_cannot_be_is_noticed(solved):
    """Red and blue in each other's place: no star fits, and nothing is learned."""
    folder, _ = solved
    swapped = replace(BSI, curves=BSI.curves[::-1].copy(), modes=BSI.modes[:, ::-1].copy())
    facts = lines_on(folder / "out", Asked(swapped, named_filter("dual-7nm")))
    assert facts["stars"]["used"] is False
    assert "see that camera and filter are named rightly" in facts["stars"]["reason"]
