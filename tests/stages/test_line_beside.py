"""A second stack beside the first: turned, of another scale and exposure."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.cfa import COLOURS
from fourlight.core.starcolour import StarLight
from fourlight.errors import InputError
from fourlight.sensor.filters import named_filter
from fourlight.sensor.lightpath import LightPath, of_black_body
from fourlight.sensor.mixing import mixing_matrix
from fourlight.sensor.sensors import sensor
from fourlight.stages.canvas import Canvas
from fourlight.stages.line_beside import beside, clear_light, scale_by_stars
from fourlight.stages.line_maps import planes_above_sky
from line_stacks import Layers, star_list

LINES = LightPath(sensor("bsi-8mp"), named_filter("dual-7nm"))
BROAD = LightPath(sensor("bsi-8mp"), named_filter("uv-ir-cut"))
SHAPE = (320, 400)
ENDLESS = np.full(3, np.nan)
"""Where no level of full samples is known."""
CONTINUUM = [mixing_matrix(path, ("continuum",), channels=COLOURS).values[:, 0] for path in (LINES, BROAD)]


def places(seed=2, count=70):
    rng = np.random.default_rng(seed)
    return rng.uniform(20, 380, count), rng.uniform(20, 300, count), rng.uniform(30, 900, count)


def stars_through(electrons, x, y, light, shape=SHAPE, fwhm=3.2):
    """Planes (3, ny, nx) with Gaussian stars of even light."""
    v, u = np.mgrid[: shape[0], : shape[1]]
    sheet = np.zeros(shape)
    for cx, cy, flux in zip(x, y, light, strict=True):
        box = np.s_[max(int(cy) - 15, 0) : int(cy) + 16, max(int(cx) - 15, 0) : int(cx) + 16]
        spot = np.exp(-4 * np.log(2) * ((u[box] - cx) ** 2 + (v[box] - cy) ** 2) / fwhm**2)
        sheet[box] += flux * spot / (1.1331 * fwhm**2)
    return electrons[:, None, None] * sheet


def turned(x, y, degrees=25.0, scale=1.1):
    a = np.radians(degrees)
    dx, dy = x - 200, y - 160
    return 260 + scale * (np.cos(a) * dx - np.sin(a) * dy), 240 + scale * (np.sin(a) * dx + np.cos(a) * dy)


def both(share=0.25, seed=2):
    x, y, light = places(seed)
    one = Layers(stars_through(CONTINUUM[0], x, y, light), (2.0, 1.0, 1.0), seed=5)
    u, v = turned(x, y)
    other = Layers(
        stars_through(share * CONTINUUM[1], u, v, light, (480, 520), 3.5), (20.0, 12.0, 12.0), seed=6
    )
    canvas = Canvas()
    lists = star_list(x, y, 3.2), star_list(u, v, 3.5)
    skies = planes_above_sky(one, lists[0], canvas, "OUT"), planes_above_sky(other, lists[1], canvas, "OUT2")
    return (*skies, *lists, canvas)


def test_a_turned_stack_is_laid_on_the_first_and_scaled_by_stars():
    """Stars lie on each other, their light stays, and the share of light comes out."""
    first, second, here, there, canvas = both()
    found = beside(second, there, first, here, canvas, "OUT2")
    assert len(found.source) > 60
    assert found.rms_px < 0.01, "places were given without error"
    x, _, light = places()
    good = clear_light(found.planes, here, np.arange(len(x)), ENDLESS)
    ratio = good.flux[:, 1] / (0.25 * CONTINUUM[1][1] * light)
    # apertures hold 0.99 of a star, and single stars have noise
    assert np.nanmedian(ratio) == pytest.approx(1.0, abs=0.03)
    scale = scale_by_stars(
        clear_light(first, here, found.source, ENDLESS),
        clear_light(second, there, found.target, ENDLESS),
        (LINES, BROAD),
        "OUT2",
    )
    assert scale.value == pytest.approx(0.25, rel=max(3 * scale.error, 0.01))
    assert scale.error < 0.05


def test_stars_of_the_second_stack_alone_are_laid_on_the_first():
    first, second, here, there, canvas = both()
    kept = np.arange(len(here)) % 3 > 0
    fewer = star_list(here.x[kept], here.y[kept], 3.2)
    stars = beside(second, there, first, fewer, canvas, "OUT2").stars
    assert len(stars) == len(here)
    np.testing.assert_array_equal(stars.x[: kept.sum()], fewer.x)
    np.testing.assert_allclose(np.sort(stars.x[kept.sum() :]), np.sort(here.x[~kept]), atol=0.05)
    assert stars.fwhm_px[-1] == pytest.approx(3.5 / 1.1, rel=0.01), "the second grid is finer by a tenth"
    assert stars.flux[-1].sum() == pytest.approx(fewer.flux[0].sum(), rel=0.01), (
        "all of these lists are alike"
    )


def test_stars_of_another_field_do_not_match():
    first, _, here, _, canvas = both()
    _, second, _, there, _ = both(seed=9)
    with pytest.raises(InputError, match="OUT2: its 70 stars do not match the 70"):
        beside(second, there, first, here, canvas, "OUT2")


def test_few_stars_tell_no_scale():
    few = StarLight(np.ones((5, 3)), np.full((5, 3), 0.01), np.ones((5, 3)))
    with pytest.raises(InputError, match="5 clear unsaturated stars are in both stacks, 8 are needed"):
        scale_by_stars(few, few, (LINES, BROAD), "OUT2")


def light_of_stars(path, share, spectra):
    """Light of black bodies (temperature, brightness) behind a filter, with a hundredth of noise."""
    light = np.array([bright * of_black_body(path, kelvin).values for kelvin, bright in spectra]) * share
    return StarLight(light, 0.01 * light.max(axis=1, keepdims=True) * np.ones(3), light)


def test_one_band_tells_brightness_and_scale_where_the_other_stack_sees_light_nearby():
    """Stars of 3500 to 9000 K, whose colours one band at [OIII] does not tell: red, at Hα, would be off by half."""
    rng = np.random.default_rng(4)
    spectra = [*zip(rng.uniform(3500, 9000, 40), rng.uniform(50, 500, 40), strict=True)]
    paths = tuple(LightPath(sensor("bsi-8mp"), named_filter(name)) for name in ("tri-band", "oiii-7nm"))
    one, other = (light_of_stars(path, share, spectra) for path, share in zip(paths, (1.0, 0.4), strict=True))
    scale = scale_by_stars(one, other, paths, "OUT2")
    assert scale.value == pytest.approx(0.4, rel=max(3 * scale.error, 0.04))
    assert scale.error < 0.04
    apart = paths[1], LightPath(sensor("bsi-8mp"), named_filter("halpha-7nm"))
    with pytest.raises(
        InputError, match="OUT2: its filter passes one band, and that of the lines none within 40"
    ):
        scale_by_stars(other, light_of_stars(apart[1], 1.0, spectra), apart, "OUT2")


@pytest.mark.parametrize("brightest", ["a full star", "one odd pixel"])
def test_full_stars_of_either_stack_do_not_bend_the_scale(brightest):
    """Half of the stars are full, whatever the brightest pixel is; the light of a star of the list is full by word."""
    x, y, light = places()
    u, v = turned(x, y)
    values = stars_through(0.25 * CONTINUUM[1], u, v, light, (480, 520), 3.5)
    full = 0.45 * values.max()
    values = np.minimum(values, full)
    if brightest == "one odd pixel":
        values[:, 300, 10] += 3 * full
    canvas, here, there = Canvas(), star_list(x, y, 3.2), star_list(u, v, 3.5)
    layers = (
        Layers(stars_through(CONTINUUM[0], x, y, light), (2.0, 1.0, 1.0), seed=5),
        Layers(values, (20.0, 12.0, 12.0), seed=6),
    )
    first, second = (
        planes_above_sky(one, stars, canvas, "OUT") for one, stars in zip(layers, (here, there), strict=True)
    )
    found = beside(second, there, first, here, canvas, "OUT2")
    there.saturated[found.target[0]] = True
    seen = clear_light(second, there, found.target, np.full(3, full))
    burnt = (values[:, np.rint(v).astype(int), np.rint(u).astype(int)] > 0.9 * full).any(axis=0)[found.target]
    assert 20 < burnt.sum() < 50
    assert np.isnan(seen.flux[burnt]).all()
    assert np.isnan(seen.flux[0]).all()
    # levels of full samples are no property of the picture: all others that are clear stay
    assert np.isfinite(seen.flux).all(axis=1).sum() > 10
    scale = scale_by_stars(clear_light(first, here, found.source, ENDLESS), seen, (LINES, BROAD), "OUT2")
    assert scale.value == pytest.approx(0.25, rel=0.01)


def test_faint_stars_are_left_out():
    x, y, light = places()
    layers = Layers(stars_through(CONTINUUM[0], x, y, light), (200.0, 100.0, 100.0))
    found = clear_light(
        planes_above_sky(layers, star_list(x, y), Canvas(), "OUT"),
        star_list(x, y),
        np.arange(len(x)),
        ENDLESS,
    )
    told = np.isfinite(found.flux).all(axis=1)
    assert 5 < told.sum() < 65
    assert np.median(light[~told]) < 0.5 * np.median(light[told])
