"""Measuring a light: pieces the libraries do not show (colours, mosaic, elongation, bad frames)."""

import numpy as np
import pytest

from fields import apart, paint_stars, raw_frame
from fourlight.core import detection
from fourlight.core.cfa import ODD, PLANES, plane_map
from fourlight.errors import FrameError
from fourlight.recipe import Measure
from fourlight.stages.measure import NO_FLAT, PART, measure

SHAPE = (300, 320)
COLOUR = np.array([0.5, 1.0, 1.0, 0.3])
SKY = np.array([80.0, 200.0, 200.0, 120.0])


def painted(seed=1, fwhm=3.0, pattern="RGGB", stars=45, shape=SHAPE, gradient=0.0, **shape_of_star):
    """Coloured stars on a coloured sky; fluxes are those of a plane that sees all of the light."""
    rng = np.random.default_rng(seed)
    place = apart(rng, stars, shape, 24, 20)
    flux = np.geomspace(1.5e5, 3e3, max(len(place), 1))[: len(place)]
    y, x = np.mgrid[: shape[0], : shape[1]]
    plane = plane_map(pattern)[y % 2, x % 2]
    light = paint_stars(shape, *place.reshape(-1, 2).T, flux, fwhm, reach=30, **shape_of_star)
    sky = SKY[plane] * (1 + gradient * (x / (shape[1] - 1) - 0.5))
    clean = sky + COLOUR[plane] * light
    return place, flux, (rng.poisson(clean) + rng.normal(0, 1.5, shape)).astype(np.float32)


def measured(image, pattern="RGGB", saturation=1e9, electrons=True, response=NO_FLAT, **settings):
    raw = raw_frame("light.fits", image.shape)
    return measure(
        raw, image, pattern, electrons=electrons, saturation=saturation, settings=Measure(**settings),
        response=response,
    )  # fmt: skip


def rows(place, stars):
    gap = np.hypot(stars.x[None, :] - place[:, :1], stars.y[None, :] - place[:, 1:])
    assert (gap.min(axis=1) < 0.5).all()
    return gap.argmin(axis=1)


@pytest.mark.parametrize("pattern", ["RGGB", "GBRG"])
def test_colours_sky_and_noise_of_each_plane(pattern):
    place, flux, image = painted(pattern=pattern)
    frame = measured(image, pattern)
    k = rows(place, frame.stars)[:25]
    ratio = frame.stars.flux[k] / flux[:25, None]
    # 25 stars of 1e4 to 1e5 electrons; the blue of the last has 3 %: a mean good to under 1 per cent
    np.testing.assert_allclose(np.median(ratio, axis=0) / np.median(ratio[:, 1]), COLOUR, rtol=0.02)
    np.testing.assert_allclose(frame.sky, SKY, rtol=0.01)
    # Poisson sky and 1.5 e of read noise
    np.testing.assert_allclose(frame.noise, np.sqrt(SKY + 1.5**2), rtol=0.025)
    assert len(PLANES) == len(frame.fwhm_px) == 4


@pytest.mark.parametrize("step", [3.0, 6.0, 12.0])
def test_lights_whose_noise_is_less_than_a_step_are_measured(step):
    """Noise of 1.4 to 1.9 e behind steps of up to 12 e: the sky to a tenth of a step, and the noise of the samples."""
    _, _, image = painted(stars=20, fwhm=3.0)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    sky = np.array([1.0, 2.0, 2.0, 0.5])[plane_map("RGGB")[y % 2, x % 2]]
    rng = np.random.default_rng(3)
    light = image - SKY[plane_map("RGGB")[y % 2, x % 2]]
    light = np.where(light > 60, light, 0.0)
    exact = rng.poisson(sky + light) + rng.normal(0, 1.2, SHAPE)
    raw = raw_frame("light.fits", SHAPE)
    counts = (step * np.rint(exact / step)).astype(np.float32)
    frame = measure(raw, counts, "RGGB", electrons=True, saturation=1e9, settings=Measure(), step=step)
    dark = light == 0
    planes = [dark & (plane_map("RGGB")[y % 2, x % 2] == plane) for plane in range(4)]
    expected = np.maximum([counts[own].std() for own in planes], step / np.sqrt(12))
    np.testing.assert_allclose(frame.noise, expected, rtol=0.1)
    np.testing.assert_allclose(frame.sky, [counts[own].mean() for own in planes], atol=0.1 * step)
    assert len(frame.stars) >= 10


def test_a_gradient_is_the_range_over_the_frame():
    _, _, image = painted(gradient=0.2)
    np.testing.assert_allclose(measured(image).gradient, 0.2 * SKY, rtol=0.1)


@pytest.mark.parametrize("turn", [0.0, 50.0, 110.0])
def test_trailed_stars_tell_their_length_and_direction(turn):
    _, _, image = painted(long=1.6, turn=np.radians(turn))
    frame = measured(image)
    # a square pixel makes a star of 3 px a little rounder: sqrt((4.8 + .46) / (1.9 + .46)) of the squares
    np.testing.assert_allclose(frame.elongation, 1.56, atol=0.06)
    assert np.cos(2 * np.radians(frame.angle_deg - turn)) > np.cos(np.radians(4))


@pytest.mark.parametrize("fwhm", [1.8, 3.0, 6.0, 10.0])
def test_width_from_sharp_to_far_out_of_focus(fwhm):
    _, _, image = painted(fwhm=fwhm, stars=25)
    frame = measured(image)
    assert len(frame.stars) >= 20
    # the pixel adds 1/12 px^2 per axis; a Moffat fit to it is good to 3 per cent even at 1.8 px
    np.testing.assert_allclose(frame.fwhm_px, np.sqrt(fwhm**2 + 2.355**2 / 12), rtol=0.03)


@pytest.mark.parametrize(("stars", "searches"), [(260, [PART, 1]), (25, [PART, 1, 1])])
def test_a_part_of_the_frame_tells_the_width_if_it_holds_enough_stars(monkeypatch, stars, searches):
    done, candidates = [], detection.candidates

    def noted(*given, every=1):
        done.append(every)
        return candidates(*given, every=every)

    monkeypatch.setattr(detection, "candidates", noted)
    place, _, image = painted(fwhm=5.0, stars=stars, shape=(640, 640))
    frame = measured(image)
    assert done == searches
    assert len(frame.stars) >= 0.9 * len(place)
    np.testing.assert_allclose(frame.fwhm_px, np.sqrt(5.0**2 + 2.355**2 / 12), rtol=0.03)


def test_saturated_stars_are_marked_and_do_not_bend_the_shape():
    place, _, image = painted()
    level = 6000.0
    frame = measured(np.minimum(image, level), saturation=level)
    k = rows(place, frame.stars)
    full = image.max(where=np.isfinite(image), initial=0) > level
    assert full
    y, x = np.rint(place[:, 1]).astype(int), np.rint(place[:, 0]).astype(int)
    peak = np.array([image[j - 2 : j + 3, i - 2 : i + 3].max() for j, i in zip(y, x, strict=True)])
    np.testing.assert_array_equal(frame.stars.saturated[k], peak >= level)
    np.testing.assert_allclose(frame.fwhm_px, np.sqrt(9 + 2.355**2 / 12), rtol=0.03)


def test_stars_are_sorted_and_limited():
    _, _, image = painted()
    few = measured(image, max_stars=12).stars
    many = measured(image).stars
    assert len(few) == 12
    assert (np.diff(many.flux.sum(axis=1)) <= 0).all()
    np.testing.assert_allclose(few.x, many.x[:12], atol=0.02)


def test_defects_are_left_out():
    place, _, image = painted()
    holes = np.random.default_rng(9).random(SHAPE) < 0.02
    damaged = image.copy()
    damaged[holes] = np.nan
    a, b = measured(image), measured(damaged)
    k, m = rows(place, a.stars)[:30], rows(place, b.stars)[:30]
    assert np.std(a.stars.x[k] - b.stars.x[m]) < 0.02
    np.testing.assert_allclose(a.stars.flux[k].sum(axis=0), b.stars.flux[m].sum(axis=0), rtol=0.01)


def test_unknown_gain_gives_the_same_stars():
    place, _, image = painted()
    a, b = measured(image), measured(image / 3, electrons=False)
    k, m = rows(place, a.stars)[:20], rows(place, b.stars)[:20]
    np.testing.assert_allclose(b.stars.x[m], a.stars.x[k], atol=0.03)
    np.testing.assert_allclose(3 * b.stars.flux[m].sum(axis=0), a.stars.flux[k].sum(axis=0), rtol=0.01)


def test_a_frame_without_stars():
    _, _, image = painted(stars=0)
    frame = measured(image)
    assert len(frame.stars) == 0
    assert np.isnan(frame.fwhm_px).all()
    np.testing.assert_allclose(frame.sky, SKY, rtol=0.01)


@pytest.mark.parametrize("shape", [(24, 24), (25, 31), (40, 33)])
def test_tiny_and_odd_frames(shape):
    _, _, image = painted(stars=0, shape=shape)
    image[9:13, 10:14] += np.array(
        [[40, 90, 90, 40], [90, 400, 400, 90], [90, 400, 400, 90], [40, 90, 90, 40]]
    )
    frame = measured(image)
    assert len(frame.stars) <= 2
    np.testing.assert_allclose(frame.sky, SKY, rtol=0.12)


@pytest.mark.parametrize(
    ("image", "words"),
    [
        (np.full((64, 64), np.nan), "no usable samples"),
        (np.full((64, 64), 7.0), "do not vary"),
        (np.where(np.mgrid[:64, :64][0] % 2 == 0, np.nan, 5.0), "no usable samples"),
    ],
)
def test_what_is_no_light_is_refused_by_name(image, words):
    with pytest.raises(FrameError, match=words) as caught:
        measured(image.astype(np.float32))
    assert caught.value.path == "light.fits"
    assert "needed" in caught.value.reason


@pytest.mark.parametrize("scatter", [0.0, 0.0005, 0.01], ids=["no flat", "flat of much light", "response"])
@pytest.mark.parametrize(
    ("level", "noise", "full", "refused"),
    [
        (50400.0, 1.9, 52400.0, True),  # full wells below the highest number: read noise alone
        (50400.0, 224.5, 52400.0, False),  # light of that level: Poisson statistics, sqrt(50400)
        (52400.0, 30.0, 52380.0, True),
        (200.0, 1.0, 52400.0, False),
    ],
)
def test_a_light_of_full_samples_is_called_overexposed(level, noise, full, refused, scatter):
    """Also where a flat has been applied: samples that it makes unlike are no less full."""
    rng = np.random.default_rng(3)
    response = rng.normal(1, scatter, (200, 200)).astype(np.float32)
    image = rng.normal(level, noise, (200, 200)).astype(np.float32) / response
    used = response[::ODD] if scatter else NO_FLAT
    # the level of the sample of most response, which falls first, as calibration tells it
    full /= np.quantile(response[::ODD], 0.999) if scatter else 1.0
    if not refused:
        assert len(measured(image, saturation=full, response=used).stars) < 4
        return
    with pytest.raises(FrameError, match="most of its samples are full: overexposed; expose shorter"):
        measured(image, saturation=full, response=used)


def test_bright_close_pairs_do_not_shape_the_frame():
    """Two pairs, brighter than all stars that stand alone: taken for single stars they made planes 35 % too wide."""
    shape, fwhm = (240, 300), 2.4
    rng = np.random.default_rng(14)
    place = apart(rng, 40, shape, 22, 14)
    flux = np.geomspace(6e4, 6e3, 40)
    pairs = place[:2] + np.array([[3.1, 0.4], [0.6, 3.3]])
    x, y = np.concatenate([place, pairs]).T
    light = np.concatenate([[4e5, 3e5], flux[2:], [3e5, 2.5e5]])
    clean = 200 + paint_stars(shape, x, y, light, fwhm)
    image = (rng.poisson(clean) + rng.normal(0, 2, shape)).astype(np.float32)
    found = measure(
        raw_frame("a.fits", shape), image, "RGGB", electrons=True, saturation=1e9, settings=Measure()
    )
    alone = 200 + paint_stars(shape, *place[2:].T, flux[2:], fwhm)
    image = (rng.poisson(alone) + rng.normal(0, 2, shape)).astype(np.float32)
    truth = measure(
        raw_frame("b.fits", shape), image, "RGGB", electrons=True, saturation=1e9, settings=Measure()
    )
    np.testing.assert_allclose(found.fwhm_px, truth.fwhm_px, rtol=0.04)
    assert (found.elongation < 1.1).all()
