"""Electrons of lines and continua through a filter onto a camera."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fourlight.core.passband import weights
from fourlight.core.spectra import LINES_NM, V0_PHOTONS, black_body
from fourlight.errors import InputError
from fourlight.sensor.filters import FILTERS, Beam, Filter, in_bands, named_filter
from fourlight.sensor.lightpath import (
    LINE_NAMES,
    LightPath,
    of_black_body,
    of_even_light,
    of_line,
    of_named_line,
)
from fourlight.sensor.response import Response, with_error
from fourlight.sensor.sensors import names, sensor

AUTHORITY = Path(__file__).parents[1] / "authorities" / "spectral" / "bands.csv"
WAVE = np.arange(400.0, 701.0)


def grey(value=0.5):
    curves = np.full((3, WAVE.size), value)
    return Response("grey", WAVE, curves, "absolute", "made up")


@pytest.mark.parametrize("kelvin", [3000, 5772, 10000])
@pytest.mark.parametrize("name", ["bsi-8mp", "bsi-5mp", "slr-16mp"])
def test_colours_of_black_bodies_are_those_of_synphot(name, kelvin):
    """Ratios of counts between colours; 0.3 %: that library sums at the rows of the table."""
    with AUTHORITY.open(encoding="utf-8") as stream:
        rows = [row for row in csv.DictReader(stream) if row["table"] == name.replace("-", "_")]
    counts = np.array([float(row[f"black_body_{kelvin}"]) for row in rows])
    ours = sensor(name)
    if ours.scale == "by colour":
        ours = replace(ours, curves=ours.curves / ours.curves.max(axis=1, keepdims=True))
    found = of_black_body(LightPath(ours), float(kelvin)).values
    np.testing.assert_allclose(found / found[1], counts / counts[1], rtol=3e-3)


def test_even_light_on_an_even_camera():
    found = of_even_light(LightPath(grey(), in_bands([(550.0, 20.0)], 0.9)))
    # 2 % less than a box: the area under 2^-|x|^8 is the gamma function of 1 + 1/8, 0.9417, over ln 2 ^ (1/8), 0.9552.
    np.testing.assert_allclose(found.values, 0.5 * 0.9 * 20.0 * 0.9417 / 0.9552, rtol=1e-3)


def test_a_line_is_camera_times_filter():
    found = of_named_line(LightPath(grey(), named_filter("dual-7nm")), "halpha")
    np.testing.assert_allclose(found.values, 0.5 * float(named_filter("dual-7nm").at(656.28)))


@pytest.mark.parametrize("name", names())
def test_a_filter_takes_light_and_never_adds_any(name):
    path = LightPath(sensor(name))
    for chosen in FILTERS.values():
        narrower = replace(path, filter=chosen, beam=Beam(4.0, 0.3))
        assert np.all(of_even_light(narrower).values <= of_even_light(path).values * (1 + 1e-12))
        for line in LINE_NAMES:
            assert np.all(
                of_named_line(narrower, line).values <= of_named_line(path, line).values * (1 + 1e-12)
            )


def test_errors_are_those_of_drawn_cameras():
    """Of 4000 cameras drawn from the modes, against those that are told; 5 %: four standard errors."""
    camera = sensor("generic")
    path = LightPath(camera, named_filter("luminance"))
    told = of_black_body(path, 5772.0)
    rng = np.random.default_rng(5)
    drawn = []
    wave = path.grid(1.0)
    light = weights(wave) * path.filter.at(wave) * black_body(wave, 5772.0) / V0_PHOTONS
    known, modes = camera.at(wave), camera.modes_at(wave)
    for _ in range(4000):
        curves = known + np.tensordot(rng.standard_normal(len(modes)), modes, 1)
        drawn.append(curves @ light)
    np.testing.assert_allclose(np.cov(np.array(drawn).T) / told.covariance, 1.0, atol=0.12)
    np.testing.assert_allclose(np.std(drawn, axis=0), told.sigma, rtol=0.05)


def test_one_error_for_all_wavelengths_goes_through_unchanged():
    response = with_error(grey(), 0.0, "none")
    whole = replace(response, modes=0.1 * response.curves[None])
    found = of_even_light(LightPath(whole, named_filter("dual-3nm")))
    np.testing.assert_allclose(found.sigma / found.values, 0.1)


def test_a_filter_takes_of_the_error_what_it_takes_of_the_light():
    half = in_bands([(656.28, 7.0)], 0.5)
    open_, closed = (
        of_named_line(LightPath(sensor("generic"), chosen), "halpha") for chosen in (FILTERS["none"], half)
    )
    np.testing.assert_allclose(closed.sigma, 0.5 * open_.sigma)
    np.testing.assert_allclose(closed.covariance, 0.25 * open_.covariance)


def test_a_line_that_no_curve_reaches_is_refused():
    short = Response("short", WAVE[:200], np.full((3, 200), 0.5), "absolute", "made up")
    with pytest.raises(
        InputError, match=r"short: its curve runs from 400 to 599 nm, Hα at 656.28 nm lies outside"
    ):
        of_named_line(LightPath(short), "halpha")
    open_end = Filter("open", table=(WAVE[:200], np.full(200, 0.9)))
    with pytest.raises(InputError, match="open: its curve runs"):
        of_line(LightPath(grey(), open_end), LINES_NM["halpha"])


def test_lines_have_names_in_order():
    assert list(LINE_NAMES) == sorted(LINES_NM, key=LINES_NM.__getitem__)
