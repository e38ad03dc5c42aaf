"""The profile of stars over a field, against stars drawn by another library and by plain sums."""

import galsim
import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from finish_scenes import moffat, paint
from fourlight.core import fieldprofile
from fourlight.core.fieldprofile import FieldProfile, fit_field, printed, printed_at
from fourlight.core.profilerest import no_rest, rest_at


def drawn(widths, beta=3.5, size=(200, 320), noise=0.0, seed=1, shear=0.0):
    """Stars on a lattice by GalSim, whose width grows from left to right."""
    rng = np.random.default_rng(seed)
    image = galsim.ImageD(size[1], size[0])
    xs, ys = np.meshgrid(np.arange(20, size[1] - 15, 25.0), np.arange(20, size[0] - 15, 25.0))
    xs, ys = (part.ravel() + rng.uniform(-0.5, 0.5, part.size) for part in (xs, ys))
    for x, y in zip(xs, ys, strict=True):
        width = widths[0] + (widths[1] - widths[0]) * x / (size[1] - 1)
        star = galsim.Moffat(beta=beta, fwhm=width, flux=2e4).shear(g1=shear, g2=0.0)
        # GalSim counts pixels from 1, and its picture holds the pixel's area
        star.drawImage(image, center=galsim.PositionD(x + 1, y + 1), scale=1.0, add_to_image=True)
    plane = image.array + 30 + noise * rng.normal(size=size)
    return plane.astype(np.float32), np.full(size, max(noise, 0.1) ** 2, np.float32), xs, ys


@pytest.mark.parametrize("beta", [2.5, 3.5])
def test_width_over_the_field_is_that_drawn(beta):
    plane, variance, x, y = drawn((2.5, 3.5), beta=beta, noise=1.0)
    found = fit_field(plane, variance, x, y, 3.0)
    assert found is not None
    assert found.count > 0.8 * len(x)
    for place, width in ((0, 2.5), (160, 3.0), (319, 3.5)):
        assert found.fwhm_px(place, 100) == pytest.approx(width, rel=0.03)


def test_long_stars_are_long():
    plane, variance, x, y = drawn((3.0, 3.0), shear=0.1, noise=0.5)
    a, b, c = fit_field(plane, variance, x, y, 3.0).shape(160, 100)
    # a reduced shear g stretches axes by (1 + g) / (1 - g)
    assert np.sqrt(c / a) == pytest.approx(1.1 / 0.9, rel=0.02)
    assert abs(b) < 0.02 * a


def test_printed_star_is_the_sum_of_its_points():
    a = 1 / (0.5 * 3.1) ** 2
    out = np.empty((31, 31))
    y, x = np.mgrid[:31, :31] - 15.0
    printed_at(np.array([a, 0, a]), 1 / 3.5, no_rest(3)[0], x.ravel() - 0.3, y.ravel() + 0.2, out.ravel())
    slow = moffat(15.3, 14.8, 3.1, (31, 31), over=15)
    np.testing.assert_allclose(out / out.sum(), slow / slow.sum(), atol=2e-4 * slow.max() / slow.sum())


def test_what_stars_have_in_common_is_printed_with_the_profile():
    shape, rest = np.array([0.3, 0.1, 0.5]), 0.1 * np.random.default_rng(2).normal(size=(13, 13))
    x, y = np.array([[12, -9, 0, -1, 0, 0.5, 8], [-12, -8, -3, 0, 0, 1, 12]]) - [[0.3], [-0.2]]
    without, some = np.empty(7), np.empty(7)
    printed_at(shape, 0.3, no_rest(3)[0], x, y, without)
    printed_at(shape, 0.3, rest, x, y, some)
    # two knots to a pixel, the middle one at the star; linear between them, and nothing beyond
    expected = map_coordinates(rest, [2 * y + 6, 2 * x + 6], order=1, mode="constant", cval=0.0)
    assert np.count_nonzero(expected) >= 4
    np.testing.assert_allclose(some - without, expected, rtol=0, atol=1e-12)


def test_picture_of_a_star_stands_in_its_middle_upright():
    a = 1 / (0.5 * 3.1) ** 2
    out = printed(np.array([a, 0, a]), 1 / 3.5, no_rest(3)[0], 31)
    slow = moffat(15, 15, 3.1, (31, 31), over=31)
    np.testing.assert_allclose(out / out.sum(), slow / slow.sum(), atol=2e-4 * slow.max() / slow.sum())
    # narrower in rows than in columns, a map that is not symmetric, and knots on the middles of pixels
    rest, shape = 0.1 * np.random.default_rng(3).normal(size=(13, 13)), np.array([0.2, 0.0, 0.5])
    alone, both = (printed(shape, 0.3, each, 9) for each in (no_rest(3)[0], rest))
    assert alone[4, 6] > 1.5 * alone[6, 4]
    np.testing.assert_allclose((both - alone)[2:7, 2:7], rest[2:11:2, 2:11:2], atol=1e-12)


def test_doubles_do_not_widen_the_profile():
    """A third of the stars has a companion of 0.7 of their light, 5 to 9 px away, that no list tells of."""
    scene = paint(300, 400, count=60, fwhm_px=4.0, flux=(2e4, 4e5), apart_px=np.linspace(5, 9, 20))
    found = fit_field(scene.planes["G"], scene.variances["G"], scene.stars.x[:60], scene.stars.y[:60], 4.0)
    assert found.count > 30
    assert found.fwhm_px() == pytest.approx(4.0, rel=0.01)
    assert found.wings == pytest.approx(1 / 3.5, rel=0.03)
    assert np.abs(found.rest).max() < 0.01


def test_what_stars_have_in_common_is_found():
    """A lump on one side, which no Moffat profile has; a map that is turned or mirrored has it elsewhere."""
    plane, variance, x, y = drawn((3.0, 3.0), noise=0.2)
    for cx, cy in zip(x, y, strict=True):
        plane += (60 * moffat(cx + 1.5, cy - 1, 1.5, plane.shape)).astype(np.float32)
    found = fit_field(plane, variance, x, y, 3.0)
    places = (1.5, -1), (-1.5, -1), (1.5, 1), (-1.5, 1), (-1, 1.5)
    here, *elsewhere = (rest_at(found.rest, *place) for place in places)
    # it is 0.010 of the peak high, and knots and the profile's own fit take half of that
    assert 0.02 > here > 0.004 > 2 * max(abs(rest) for rest in elsewhere)


def test_noise_far_from_a_star_is_no_part_of_its_profile():
    """Sharpening makes rings of it; limits are ours."""
    plane, variance, x, y = drawn((3.2, 3.2), noise=2.0)
    found = fit_field(plane, variance, x, y, 3.2)
    knots = (np.arange(len(found.rest)) - len(found.rest) // 2) / 2
    far = np.hypot(knots[:, None], knots) > 5
    # of one star 2 / (0.1 x 2e4) = 1e-3 of its height
    assert np.abs(found.rest[far]).max() < 5e-5


def test_a_sure_difference_near_the_rim_is_kept():
    """Beyond it nothing is known, which is no noise."""
    knots = np.arange(41) - 20
    apart = np.hypot(knots[:, None], knots)
    rest, sure = np.where(apart < 17, 2e-3, 0.0), np.where(apart < 17, 1e8, 0.0)
    kept = fieldprofile._without_noise(rest, sure)
    np.testing.assert_allclose(kept[apart < 16.5], rest[apart < 16.5], rtol=0.05)
    # as much as its own noise: nothing is left
    assert not fieldprofile._without_noise(rest, np.where(apart < 17, 1 / 3e-3**2, 0.0)).any()


def test_doubles_and_full_stars_are_left_out():
    plane, variance, x, y = drawn((3.0, 3.0), noise=0.5)
    for k in range(0, len(x), 6):
        plane += (2e4 * moffat(x[k] + 2.5, y[k] + 1, 3.0, plane.shape)).astype(np.float32)
    found = fit_field(plane, variance, x, y, 3.0)
    # one star in six is a double, half again as wide
    assert found.fwhm_px() == pytest.approx(3.0, rel=0.05)


@pytest.mark.parametrize("places", [[], [(5.0, 5.0)], [(1.0, 1.0), (198.0, 3.0)]])
def test_too_few_stars_tell_nothing(places):
    x, y = np.array(places).reshape(-1, 2).T
    plane = np.zeros((200, 200), np.float32)
    assert fit_field(plane, np.ones_like(plane), x, y, 3.0) is None


def test_the_polynomial_has_the_terms_that_the_stars_left_can_tell():
    """Of 72 stars 15 are doubles: 57 tell a slope of the shape, but no curve."""
    plane, variance, x, y = drawn((3.0, 3.0), size=(175, 320), noise=0.5)
    for k in range(0, len(x), 5):
        plane += (2e4 * moffat(x[k] + 2.5, y[k] + 1, 3.0, plane.shape)).astype(np.float32)
    found = fit_field(plane, variance, x, y, 3.0)
    assert len(x) > 60 > found.count >= 20
    assert found.coefficients.shape[1] == 3


def test_stars_at_one_end_of_a_long_field_give_no_shape_that_is_none_at_the_other():
    """Widths that grow by a twelfth over 120 px: by a straight line the shape would be below nought from 900 px on."""
    rng, y, x = np.random.default_rng(4), *np.mgrid[20:150:25, 20:150:25].astype(float)
    x, y = x.ravel() + rng.uniform(-0.5, 0.5, x.size), y.ravel() + rng.uniform(-0.5, 0.5, x.size)
    plane = 30 + rng.normal(0, 1.0, (160, 1200)).astype(np.float32)
    for cx, cy in zip(x, y, strict=True):
        plane[:, :160] += (2e4 * moffat(cx, cy, 3 + 0.25 * cx / 120, (160, 160), over=3)).astype(np.float32)
    found = fit_field(plane, np.ones_like(plane), x, y, 3.1)
    assert found.count >= 20
    assert found.falls_off
    assert found.fwhm_px(80, 80) == pytest.approx(3 + 0.25 * 80 / 120, rel=0.02)
    assert 2.5 < found.fwhm_px(1199, 0) < 4.0


def test_a_shape_falls_off_only_where_it_does_so_everywhere():
    a = np.array([[0.4, -0.3], [0.0, 0.0], [0.4, 0.0]])
    slope = np.column_stack([a, np.zeros(3)])
    assert FieldProfile(slope, 0.3, no_rest(3)[0], (100, 200), 30).falls_off
    assert not FieldProfile(slope * [1, 2, 1], 0.3, no_rest(3)[0], (100, 200), 30).falls_off
    long = np.array([[0.4], [0.5], [0.4]])
    assert not FieldProfile(long, 0.3, no_rest(3)[0], (100, 200), 30).falls_off


def test_gaps_do_not_harm():
    plane, variance, x, y = drawn((3.0, 3.0), noise=0.5)
    plane[np.random.default_rng(3).random(plane.shape) < 0.0005] = np.nan
    plane[:60, :60] = np.nan
    found = fit_field(plane, variance, x, y, 3.0)
    assert isinstance(found, FieldProfile)
    assert found.fwhm_px() == pytest.approx(3.0, rel=0.03)
