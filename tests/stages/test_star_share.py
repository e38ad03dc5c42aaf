"""Zero points of simulated fields in which few stars, or none, are bright enough to tell the share of the aperture."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.cfa import PLANES
from fourlight.core.distortion import Mapping
from fourlight.core.tangent import gnomonic
from fourlight.frames import StarList
from fourlight.sky.catalogue import cone
from fourlight.sky.plate import PlateSolution
from fourlight.sky.starcolours import standard_colours
from fourlight.stages.colour_calibration import calibrate
from fourlight.stages.holdings import plane_holdings
from fourlight.stages.star_fluxes import star_fluxes
from fourlight.stages.star_share import CLEAR, WHOLE, aperture_share

SHAPE = (300, 400)
PLACE = (83.4, 21.8)
SCALE = 20.6
"""Arcsec per pixel."""
ZERO = {"R": 20.0, "G1": 21.0, "G2": 21.0, "B": 20.5}
EXPOSURE = 60.0
WIDTHS = (2.9, 3.0, 3.0, 3.1)
"""FWHM in R, G1, G2, B, pixels."""
SKY = 100.0


def profile(far2, width, power):
    """Light per area at a squared distance: a Moffat profile (Moffat 1969) of a power, or a Gaussian for None."""
    if power is None:
        return np.exp(-4 * np.log(2) * far2 / width**2) * 4 * np.log(2) / (np.pi * width**2)
    alpha2 = width**2 / (4 * (2 ** (1 / power) - 1))
    return (power - 1) / (np.pi * alpha2) * (1 + far2 / alpha2) ** -power


def spots(x, y, light, width, power):
    """Stars as pixels see them: means over nine points of each."""
    image, step = np.full(SHAPE, SKY), (-1 / 3, 0.0, 1 / 3)
    for cx, cy, flux in zip(x, y, light, strict=True):
        rows, columns = (slice(max(int(c) - 25, 0), int(c) + 26) for c in (cy, cx))
        v, u = np.mgrid[rows, columns][:, : SHAPE[0] - rows.start, : SHAPE[1] - columns.start]
        parts = [profile((u + a - cx) ** 2 + (v + b - cy) ** 2, width, power) for a in step for b in step]
        image[rows, columns] += flux * np.mean(parts, axis=0)
    return image


class Layers:
    """Planes of a stack by name."""

    def __init__(self, planes, variances):
        self.planes, self.variances = planes, variances

    def read(self, plane, layer):
        return (self.planes if layer == "value" else self.variances)[plane]


def field(bright, power, seed=1, part=0.6):
    """A stack of catalogue stars of which so many lone ones are bright in every plane, its star list and solution."""
    random = np.random.default_rng([seed, bright])
    known = cone(*PLACE, 1.6)
    some = (known.v_mag > 8.7) & np.isfinite(known.b_v) & (random.random(len(known)) < part)
    known = known.chosen(np.flatnonzero(some))
    xi, eta = gnomonic(known.ra_deg, known.dec_deg, *PLACE)
    x, y = (half + part * 3600 / SCALE for half, part in ((199.5, xi), (149.5, eta)))
    inside = (x > 26) & (x < SHAPE[1] - 27) & (y > 26) & (y < SHAPE[0] - 27)
    known, x, y = known.chosen(np.flatnonzero(inside)), x[inside], y[inside]
    ones = np.ones(len(x))
    lone = _apart(StarList(x, y, ones, ones, ones, ones, ones < 0)) > 15
    less_v = standard_colours().less_v(known.b_v)[:, [0, 1, 1, 2]]
    zero = np.array([ZERO[plane] for plane in PLANES])
    flux = EXPOSURE * 10 ** (0.4 * (zero - known.v_mag[:, None] - less_v))
    area = np.pi * (WHOLE * max(WIDTHS)) ** 2
    planes, variances = {}, {}
    for k, plane in enumerate(PLANES):
        # the brightest lone star that is too many stays below what is clear
        sigma = np.sort(flux[lone, k])[::-1][bright] / (0.9 * CLEAR * np.sqrt(area))
        image = spots(x, y, flux[:, k], WIDTHS[k], power) + sigma * random.standard_normal(SHAPE)
        planes[plane] = image.astype(np.float32)
        variances[plane] = np.full(SHAPE, sigma**2, np.float32)
    stars = StarList(x, y, flux, 0.05 * flux, 3 * ones, ones, ones < 0)
    flat = Mapping(np.eye(2) * SCALE / 3600, np.zeros((2, 0)), np.zeros((2, 0)), 1)
    solution = PlateSolution(
        *PLACE, *SHAPE, flat, len(x), len(x), 0.1, -20.0, 2000.0, known.row, np.arange(len(x))
    )
    return Layers(planes, variances), stars, solution


def _apart(stars):
    """Distance of each star to the nearest other."""
    away = np.hypot(stars.x[:, None] - stars.x, stars.y[:, None] - stars.y)
    return (away + np.where(np.eye(len(away)), 99, 0)).min(axis=1)


def widths_of(layers, stars):
    found = []
    for plane in PLANES:
        value, variance = (layers.read(plane, layer) for layer in ("value", "variance"))
        found.append(plane_holdings(value, variance, np.ones_like(value), stars, SKY)["fwhm_px"])
    return np.array(found)


@pytest.mark.parametrize("bright", [0, 1, 2, 3, 4])
def test_zero_points_hold_with_few_bright_stars(bright):
    """To 0.03 mag rms, and within the claimed errors; with the share left at 1 they were off by 0.10."""
    pulls, offs = [], []
    for power in (3.0, 4.0, None):
        layers, stars, solution = field(bright, power)
        widths = widths_of(layers, stars)
        seen = star_fluxes(layers, stars, solution, widths, np.full(4, SKY), np.full(4, np.nan))
        found = calibrate(seen, standard_colours(), EXPOSURE)
        off = np.array([found.zero(plane) - ZERO[plane] for plane in PLANES])
        error = np.array([found.error[found.number(plane)] for plane in PLANES])
        assert (error < 0.04).all()
        offs.append(off)
        pulls.append(off / error)
    assert np.sqrt(np.mean(np.square(offs))) < 0.03
    assert np.sqrt(np.mean(np.square(pulls))) < 1.3
    assert np.abs(pulls).max() < 2.5


def test_without_any_star_the_profile_tells_with_an_error_that_holds_usual_wings():
    """Light in 1.5 widths of a Moffat profile of power 2.5, 3 and 4, integrated: 0.869, 0.910, 0.949."""
    none = np.zeros(0)
    blank = [np.zeros(SHAPE, np.float32)] * 4
    share, spread = aperture_share(blank, blank, none, none, np.full(4, 3.0))
    error = np.sqrt(np.diag(spread))
    for power in (2.5, 3.0, 4.0):
        true = 1 - (1 + (2 * 1.5) ** 2 * (2 ** (1 / power) - 1)) ** (1 - power)
        assert (np.abs(share - true) < 1.4 * error * share).all()
    assert (error < 0.06).all()


def test_a_plane_without_stars_follows_the_others():
    layers, stars, _ = field(4, None)
    widths = widths_of(layers, stars)
    values, variances = ([layers.read(p, layer) for p in PLANES] for layer in ("value", "variance"))
    values[3] = np.full(SHAPE, SKY, np.float32)
    share, spread = aperture_share(values, variances, stars.x, stars.y, widths)
    error = np.sqrt(np.diag(spread))
    assert share[3] == pytest.approx(share[:3].mean(), abs=0.03)
    assert error[:3].max() < error[3] < 0.03


def test_more_stars_make_smaller_errors():
    """In the mean of four fields: in a single one a faint star more that has another beside it may add 3 % to it."""
    errors = []
    for seed in range(1, 5):
        layers, stars, _ = field(4, 3.0, seed)
        widths = widths_of(layers, stars)
        values, variances = ([layers.read(p, layer) for p in PLANES] for layer in ("value", "variance"))
        lone = np.flatnonzero(_apart(stars) > 15)
        errors.append([
            np.sqrt(np.diag(aperture_share(values, variances, stars.x[some], stars.y[some], widths)[1])).mean()
            for some in (lone[:0], lone[:1], lone[:3], lone[:20])
        ])  # fmt: skip
    told = np.array(errors)
    assert (np.diff(told.mean(axis=0)) < 0).all()
    assert (told[:, 1:] < 1.05 * told[:, :-1]).all()
    assert (told[:, 1:] < told[:, :1] / 2).all()
    assert told[:, 0] == pytest.approx(np.full(4, 0.05), abs=0.01)


def test_fluxes_hold_where_stars_crowd():
    """Against the light that was put in: 0.5 % in the median of planes and stars. Rings that hold other stars, as the
    apertures that are chosen do not, made it 1.3 % too low."""
    off = []
    for seed in range(2):
        layers, stars, solution = field(20, 3.5, seed, part=1.0)
        widths = widths_of(layers, stars)
        found = star_fluxes(layers, stars, solution, widths, np.full(4, SKY), np.full(4, np.nan))
        near = np.hypot(found.x[:, None] - stars.x, found.y[:, None] - stars.y).argmin(axis=1)
        assert found.good.sum() > 50
        off.append(np.median((found.flux / stars.flux[near])[found.good], axis=0) - 1)
    assert np.mean(off) == pytest.approx(0.0, abs=0.005)
    assert np.abs(off).max() < 0.01


@pytest.mark.parametrize("beside", [0.0, 0.1])
def test_planes_share_the_error_that_neighbours_make(beside):
    """Over draws of stars with a fainter one of their colour beside them, shares of planes scatter together as far as
    their covariance says, and without one apart."""
    random = np.random.default_rng(8)
    x, y = (part.ravel() for part in np.meshgrid(np.arange(40.0, 380, 60), np.arange(40.0, 280, 50)))
    clean = spots(x, y, np.ones(len(x)), 3.0, None) - SKY
    shares, claimed = [], []
    for _ in range(12):
        angle, faint = random.uniform(0, 2 * np.pi, len(x)), beside * random.exponential(1.0, len(x))
        other = spots(x + 6.5 * np.cos(angle), y + 6.5 * np.sin(angle), faint, 3.0, None) - SKY
        light = [1e5 * (clean + other) + 8.0 * random.standard_normal(SHAPE) for _ in range(4)]
        variances = [np.full(SHAPE, 64.0, np.float32)] * 4
        found = aperture_share([one.astype(np.float32) for one in light], variances, x, y, np.full(4, 3.0))
        shares.append(np.log(found[0]))
        claimed.append(found[1])
    apart = np.var([one - one.mean() for one in shares]) * 4 / 3
    covariance = np.mean(claimed, axis=0)
    off = np.eye(4) - 0.25
    told = np.trace(off @ covariance @ off) / 3
    whole = np.trace(covariance) / 4
    assert 0.3 * whole < np.var(shares, axis=0).mean() < 3 * whole
    assert apart < 2 * told
    assert told < (0.1 * whole if beside else 2 * apart + 1e-7)
