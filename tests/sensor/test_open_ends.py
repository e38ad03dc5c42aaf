"""What is carried for light beyond the end of a curve, against curves that go on there."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.errors import InputError
from fourlight.sensor.curve_text import camera_from_text
from fourlight.sensor.filters import FILTERS, Band, Filter
from fourlight.sensor.lightpath import LightPath, of_black_body, of_even_light, of_line
from fourlight.sensor.mixing import mixing_matrix
from fourlight.sensor.mono import without_dyes
from fourlight.sensor.response import Response
from fourlight.sensor.sensors import sensor

WHOLE = sensor("slr-16mp")
"""A measured table to where its window is dark; its source stands in sensor/tables/SOURCES.md."""


def cut_at(low: int, high: int, error: float = 0.05) -> Response:
    """The same camera, known between two wavelengths only."""
    wave = np.arange(low, high + 1, 5)
    rows = [",".join(f"{value:.6f}" for value in (w, *WHOLE.at(np.array([w]))[:, 0])) for w in wave]
    return camera_from_text("\n".join(["wavelength_nm,red_relative,green,blue", *rows]), "cut.csv", error)


@pytest.mark.parametrize(("low", "high"), [(380, 640), (380, 660), (420, 780), (440, 620)])
def test_the_light_that_is_missing_lies_within_the_error(low: int, high: int) -> None:
    """Of black bodies, in every colour, to two standard deviations and what the curve itself may be off."""
    missing = cut_at(low, high, 1e-6)
    top = WHOLE.curves.max() / WHOLE.at(missing.wave_nm).max()
    for kelvin in (3000.0, 6000.0):
        whole = of_black_body(LightPath(WHOLE), kelvin).values * top
        found = of_black_body(LightPath(missing), kelvin)
        assert (whole > found.values * 1.005).any(), "some is missing"
        assert (whole - found.values < 2 * found.sigma + 0.005 * whole).all()


def test_a_filter_that_is_dark_there_leaves_no_error_of_it() -> None:
    known, missing = cut_at(380, 780), cut_at(380, 660)
    assert (known.open_nm, missing.open_nm) == ((), (660.0,))
    narrow = (LightPath(each, FILTERS["oiii-7nm"]) for each in (known, missing))
    one, other = (of_even_light(path) for path in narrow)
    assert other.values == pytest.approx(one.values, rel=1e-3)
    assert other.sigma == pytest.approx(one.sigma, rel=1e-3)
    assert not any("end in light" in note for note in LightPath(missing, FILTERS["oiii-7nm"]).notes)
    red = LightPath(missing, Filter("red", (Band(660.0, 60.0),)))
    assert of_even_light(red).sigma[0] > 0.1 * of_even_light(red).values[0]
    said = "curves of cut end in light at 660 nm: dark is counted beyond, with an error for what is there"
    assert said in red.notes
    assert said in mixing_matrix(red, ("continuum",)).notes


def test_what_is_known_stays_as_it_is() -> None:
    """Values, the range that lines must lie in, and what greens share."""
    response = sensor("bsi-8mp")
    assert response.range_nm == (400.0, 700.0)
    assert response.open_nm == (400.0, 700.0)
    wave = np.array([399.9, 400.0, 700.0, 700.1])
    assert (response.at(wave) > 0).tolist() == [[False, True, True, False]] * 3
    with pytest.raises(InputError, match="its curve runs from 400 to 700 nm"):
        of_line(LightPath(response), 710.0)
    four = of_even_light(LightPath(response).seen_by(("R", "G1", "G2", "B")))
    covariance = four.covariance
    assert covariance[1, 2] == pytest.approx(covariance[1, 1]), "both greens are off together"


def test_without_dyes_the_colour_at_each_end_tells_of_it() -> None:
    response = sensor("bsi-8mp")
    bare = without_dyes(response, 1.0)
    beyond = np.array([399.0, 701.0])
    sigma = np.sqrt((bare.modes_at(beyond) ** 2).sum(axis=0))[0]
    ends = response.at(np.array([400.0, 700.0])).max(axis=0)
    assert sigma == pytest.approx(ends / np.sqrt(3.0), rel=0.02)
