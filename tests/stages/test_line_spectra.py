"""What cameras count of stars of a colour behind a filter, against a star that others measured."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.extinction import extinction_mag
from fourlight.core.spectra import LINES_NM
from fourlight.sensor.filters import named_filter
from fourlight.sensor.lightpath import LightPath, of_light
from fourlight.sensor.sensors import sensor
from fourlight.sky.starspectra import BLUEST, REDDEST
from fourlight.stages.line_spectra import COMMON, TILT, star_table

galsim = pytest.importorskip("galsim")

PATH = LightPath(sensor("bsi-8mp"), named_filter("dual-7nm"))


@pytest.mark.parametrize("name", ["dual-7nm", "dual-wide", "tri-band", "uv-ir-cut"])
def test_a_star_of_no_colour_is_vega(name):
    """Vega of galsim (B-V 0), its Hα line in the band, without dust; single stars scatter by 0.02 around others."""
    path = LightPath(PATH.response, named_filter(name))
    vega = galsim.SED("vega.txt", wave_type="nm", flux_type="flambda")
    expected = of_light(path, np.array([vega(wave) for wave in path.grid()])).values
    values, modes = (each[0] for each in star_table(path, 0, 0.0).at([0.0]))
    found = values - modes[len(path.response.modes) + 2]  # no dust
    np.testing.assert_allclose(found / found[1], expected / expected[1], rtol=0.06)


def test_modes_behind_those_of_the_camera_move_no_star_and_the_last_move_stars_alone():
    shared = np.array([[4.0, 1.0, 0.0], [1.0, 2.0, 0.5], [0.0, 0.5, 1.0]]) * 1e-4
    stars = star_table(PATH, 3, 0.0, shared)
    own = len(PATH.response.modes)
    assert stars.modes.shape[1] == own + 3 + 3 + 3
    np.testing.assert_array_equal(stars.modes[:, own : own + 3], 0.0)
    common, tilt, dust = np.moveaxis(stars.modes[:, own + 3 : own + 6], 1, 0)
    # the dual filter without its band on [OIII] passes what lies beyond 580 nm
    red = star_table(LightPath(PATH.response, named_filter("halpha-7nm")), 0, 0.0)
    np.testing.assert_allclose(common, COMMON * red.values, rtol=1e-3)
    tilted = tilt[:, 0] / red.values[:, 0]
    assert tilted[stars.colour.searchsorted(1.1)] == pytest.approx(TILT, rel=0.1)
    assert tilted[stars.colour.searchsorted(0.3)] == pytest.approx(-TILT, rel=0.1)
    # dust reddens a hot star to the colour of a cooler one, whose light rises less steeply behind the red band
    assert 0.005 < np.abs(dust[:, 0] / stars.values[:, 0]).max() < 0.1
    each = stars.modes[10, own + 6 :] / stars.values[10]
    np.testing.assert_allclose(each.T @ each, shared, atol=1e-12)


def test_modes_are_what_other_curves_would_give():
    response = PATH.response
    other = type(response)(
        **{name: getattr(response, name) for name in response.__slots__}
        | {"curves": response.curves + 0.1 * response.modes[0]}
    )
    stars, moved = star_table(PATH, 0, 0.0), star_table(LightPath(other, PATH.filter), 0, 0.0)
    np.testing.assert_allclose(moved.values, stars.values + 0.1 * stars.modes[:, 0], rtol=1e-6)


def test_red_stars_have_more_of_the_red_band_but_where_hot_ones_absorb_it():
    stars = star_table(PATH, 0, 0.0)
    assert stars.colour[0] == pytest.approx(BLUEST)
    assert stars.colour[-1] == pytest.approx(REDDEST)
    cool = stars.colour > 0.1
    assert (np.diff(stars.values[cool, 0] / stars.values[cool, 1]) > 0).all()
    assert LINES_NM["oiii"] < 580 < LINES_NM["halpha"]


def test_air_takes_more_of_the_blue_band():
    """By what the law of extinction says of both lines: red counts Hα, green [OIII] but for a fifth."""
    clear, dim = (star_table(LightPath(PATH.response, named_filter(name)), 0, masses)
                  for name, masses in (("dual-7nm", 0.0), ("dual-7nm", 2.0)))  # fmt: skip
    ratio = (dim.values[:, 0] / dim.values[:, 2]) / (clear.values[:, 0] / clear.values[:, 2])
    bands = extinction_mag([LINES_NM["oiii"], LINES_NM["halpha"]])
    most = 10 ** (0.4 * 2.0 * (bands[0] - bands[1]))
    assert (ratio > 1 + 0.6 * (most - 1)).all()
    assert (ratio < 1.01 * most).all()
