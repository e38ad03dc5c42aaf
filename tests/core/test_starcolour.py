"""Star light per channel and the balance from it."""

import numpy as np
import pytest
import sep

from fourlight.core import starcolour
from fourlight.core.window import largest_rectangle


def field(n=40, seed=1):
    rng = np.random.default_rng(seed)
    sx, sy = rng.uniform(15, 385, n), rng.uniform(15, 285, n)
    flux = rng.uniform(2000, 9000, n)
    down, across = (
        np.exp(-((np.arange(size)[:, None] - centre) ** 2) / (2 * 1.5**2))
        for size, centre in ((300, sy), (400, sx))
    )
    image = (down * flux) @ across.T / (2 * np.pi * 1.5**2)
    return (image + rng.normal(size=image.shape)).astype(np.float32), sx, sy, flux


def test_aperture_light_equals_sep():
    image, x, y, _ = field()
    light = starcolour.star_light([image], [np.ones_like(image)], x, y, 6.0)
    expected, _, _ = sep.sum_circle(image, x, y, 6.0, subpix=1)
    alone = np.array([np.sort(np.hypot(x - a, y - b))[1] > 25 for a, b in zip(x, y, strict=True)])
    good = alone & np.isfinite(light.flux[:, 0])
    assert good.sum() >= 8
    np.testing.assert_allclose(light.flux[good, 0], expected[good], rtol=0.03)


def test_light_of_stars_in_a_crowd_is_theirs():
    """Of 700 those with no other in the aperture; a Gaussian holds 1 - exp(-r^2 / 2 s^2) of its light within r."""
    image, x, y, flux = field(700, 4)
    width = 2.3548 * 1.5
    radius = starcolour.OF_WIDTH * width
    expected = flux * (1 - np.exp(-((radius / 1.5) ** 2) / 2))
    alone = np.array([np.sort(np.hypot(x - a, y - b))[1] > radius + 4.5 for a, b in zip(x, y, strict=True)])
    spread = np.ones_like(image)
    off, whole = (
        light.flux[alone, 0] / expected[alone] - 1
        for light in (
            starcolour.colour_light([image], [spread], x, y, width),
            starcolour.star_light([image], [spread], x, y, radius),
        )
    )
    assert alone.sum() > 30
    assert abs(np.nanmedian(off)) < 0.01
    assert np.nanmedian(whole) < np.nanmedian(off) - 0.01


def test_chosen_stars_are_measured_as_among_all_in_apertures_as_wide_as_asked_for():
    """A Gaussian holds 1 - exp(-r^2 / 2 s^2) of its light within r."""
    image, x, y, flux = field(200, 6)
    spread, width, chosen = np.ones_like(image), 2.3548 * 1.5, np.array([150, 3, 77])
    every, some = (
        starcolour.colour_light([image], [spread], x, y, width, given, 1.0) for given in (None, chosen)
    )
    np.testing.assert_array_equal(some.flux, every.flux[chosen])
    alone = np.array([np.sort(np.hypot(x - a, y - b))[1] > width + 4.5 for a, b in zip(x, y, strict=True)])
    expected = flux * (1 - np.exp(-((width / 1.5) ** 2) / 2))
    assert alone.sum() > 30
    # apertures of the usual 1.4 widths hold 6 % more
    assert abs(np.nanmedian(every.flux[alone, 0] / expected[alone] - 1)) < 0.01


@pytest.mark.parametrize("rim", [0, 41], ids=["whole", "cut"])
def test_light_of_a_star_and_its_error_are_those_of_many_draws(rim):
    """Of a star on noise of one per pixel, with its ring whole or half of it beyond the end of the stack 4 px away.

    The scatter of 600 draws is known to 2.9 % (one sigma, normal errors): three of them.
    """
    rng = np.random.default_rng(8)
    y, x = np.mgrid[:60, :90]
    star = (1000 * np.exp(-((x - 45) ** 2 + (y - 30) ** 2) / 4.5)).astype(np.float32)
    place, even = (np.array([45.0]), np.array([30.0]), 4.0), np.ones(x.shape, np.float32)
    found = []
    for _ in range(600):
        image = star + rng.normal(size=x.shape).astype(np.float32)
        image[:, :rim] = np.nan
        light = starcolour.star_light([image], [even], *place)
        found.append(light.flux[0, 0])
    claimed = light.error[0, 0]
    assert np.std(found) == pytest.approx(claimed, rel=0.09)
    # the aperture counts whole pixels: compare with the same star that neither noise nor rim disturbs
    whole = starcolour.star_light([star], [even], *place)
    assert whole.flux[0, 0] == pytest.approx(1000 * np.pi * 4.5 * (1 - np.exp(-(4.0**2) / 4.5)), rel=0.01)
    assert np.mean(found) == pytest.approx(whole.flux[0, 0], abs=3 * claimed / np.sqrt(600))
    image[:, :45], image[:, 53:] = np.nan, np.nan
    assert np.isnan(starcolour.star_light([image], [even], *place).flux).all()


def test_balance_undoes_the_channel_response():
    rng = np.random.default_rng(2)
    response = np.array([0.6, 1.0, 0.45])
    flux = rng.uniform(1e3, 1e5, (150, 1)) * response * np.exp(rng.normal(size=(150, 3)) * 0.15)
    light = starcolour.StarLight(flux, np.full_like(flux, 5.0), flux)
    found = starcolour.balance_from_stars(light, np.ones(150, dtype=bool), np.ones(3))
    assert found.count == 150
    neutral = found.factors * response
    np.testing.assert_allclose(neutral / neutral.mean(), 1.0, atol=0.05)


def test_a_few_odd_stars_do_not_decide():
    flux = np.array([[9000.0, 1000.0, 100.0]])
    light = starcolour.StarLight(flux, flux * 0.001, flux)
    one = starcolour.balance_from_stars(light, np.array([True]), np.ones(3))
    many = starcolour.balance_from_stars(
        starcolour.StarLight(*(np.repeat(a, 100, axis=0) for a in (flux, flux * 0.001, flux))),
        np.ones(100, bool),
        np.ones(3),
    )
    none = starcolour.balance_from_stars(light, np.array([False]), np.ones(3))
    assert none.count == 0
    np.testing.assert_allclose(none.factors, 1.0)
    assert 1 > one.factors[0] > many.factors[0]


def test_the_balance_is_as_sure_as_told():
    """Against the scatter of logarithms of 400 draws of as many stars; without a star it is that of the guess."""
    rng, draws = np.random.default_rng(6), []
    for _ in range(400):
        flux = 1e5 * np.exp(rng.normal(0, 0.5, (60, 3)))
        light = starcolour.StarLight(flux, flux * 1e-3, flux)
        found = starcolour.balance_from_stars(light, np.ones(60, bool), np.ones(3))
        draws.append(np.log(found.factors))
    np.testing.assert_allclose(
        np.cov(np.array(draws).T), found.covariance, atol=0.35 * found.covariance[0, 0]
    )
    none = starcolour.balance_from_stars(light, np.zeros(60, bool), np.ones(3))
    assert np.sqrt(np.diag(none.covariance)) == pytest.approx([0.4] * 3)
    assert none.covariance.sum(axis=0) == pytest.approx(np.zeros(3), abs=1e-12)


def test_a_hundred_random_masks_give_the_largest_rectangle():
    # brute force over all rectangles of a small mask
    rng = np.random.default_rng(5)
    for _ in range(100):
        mask = rng.random((6, 7)) < 0.7
        y0, y1, x0, x1 = largest_rectangle(mask)
        best = max(
            (b - a) * (d - c)
            for a in range(6) for b in range(a, 7) for c in range(7) for d in range(c, 8)
            if mask[a:b, c:d].all()
        )  # fmt: skip
        assert mask[y0:y1, x0:x1].all()
        assert (y1 - y0) * (x1 - x0) == pytest.approx(best)
