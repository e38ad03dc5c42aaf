"""Zero points, white and limits from invented stars, and one line where stars cannot tell."""

import numpy as np
import pytest

from fourlight.core.cfa import COLOURS, PLANES
from fourlight.errors import StageError
from fourlight.sky.starcolours import SUN_B_V, standard_colours
from fourlight.stages.colour_calibration import calibrate, limits, white_point
from fourlight.stages.sky_brightness import night_skies
from fourlight.stages.star_fluxes import StarFluxes

ZERO = {"R": 20.0, "G1": 21.0, "G2": 21.0, "B": 20.5}
EXPOSURE = 30.0


def stars(count=60, seed=1, *, full=0, beside=0, dark=(), term=0.0, scatter=0.02):
    """Stars of the standard system with a camera of known zero points."""
    random = np.random.default_rng(seed)
    v, b_v = random.uniform(7, 10.5, count), random.uniform(-0.1, 1.3, count)
    relation = standard_colours()
    flux = np.zeros((count, 4))
    for k, plane in enumerate(PLANES):
        magnitude = (
            v
            + relation.less_v(b_v)[:, relation.channels.index(plane[0])]
            + scatter * random.standard_normal(count)
        )
        zero = ZERO[plane] + (term * (b_v - SUN_B_V) if plane == "R" else 0.0)
        flux[:, k] = 0.0 if plane in dark else EXPOSURE * 10 ** (0.4 * (zero - magnitude))
    ones, error = np.ones(count), np.full((count, 4), 1.0)
    burnt, alone = np.arange(count) < full, ~((np.arange(count) >= full) & (np.arange(count) < full + beside))
    return StarFluxes(
        PLANES, 10 * ones, 10 * ones, flux, error, np.diag(np.full(4, 0.002) ** 2), v, 0.01 * ones, b_v, 0.01 * ones,
        np.arange(count), burnt, alone,
    )  # fmt: skip


def test_zero_points_come_back():
    found = calibrate(stars(), standard_colours(), EXPOSURE)
    for plane in ("R", "G1", "G2", "B"):
        assert found.zero(plane) == pytest.approx(ZERO[plane], abs=4 * found.error[found.number(plane)])
    assert found.error.max() < 0.01
    # G is the mean of two greens that have one zero point
    assert found.zero("G") == pytest.approx(21.0, abs=0.02)


def test_a_colour_term_is_found_and_zero_points_hold_for_the_sun():
    found = calibrate(stars(200, term=0.15), standard_colours(), EXPOSURE)
    assert found.points.slope[found.number("R")] == pytest.approx(0.15, abs=0.02)
    assert found.zero("R") == pytest.approx(20.0, abs=0.01)


def test_white_is_the_inverse_of_the_electrons_of_such_a_star():
    found = calibrate(stars(200), standard_colours(), EXPOSURE)
    for b_v in (SUN_B_V, 0.0, 1.2):
        white = white_point(found, b_v)
        less_v = standard_colours().less_v(b_v)
        electrons = 10 ** (0.4 * (np.array([20.0, 21.0, 20.5]) - less_v))
        even = white.factors * electrons
        assert even / even.mean() == pytest.approx([1, 1, 1], abs=0.01)
        assert np.prod(white.factors) == pytest.approx(1.0)
        assert 0 < white.error.max() < 0.01


def test_a_plane_without_light_has_no_zero_point_and_there_is_no_white():
    """Blue behind a filter that passes nothing there."""
    found = calibrate(stars(dark=("B",)), standard_colours(), EXPOSURE)
    assert found.planes == ("R", "G1", "G2", "G")
    assert white_point(found, SUN_B_V) is None


def test_full_stars_are_left_out():
    spoilt = stars(80, full=30)
    spoilt.flux[:30] *= 0.3
    found = calibrate(spoilt, standard_colours(), EXPOSURE)
    assert found.used[:30].sum() == 0
    assert found.zero("R") == pytest.approx(20.0, abs=0.02)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"count": 40, "full": 38}, "38 of them full"),
        ({"count": 4}, "4 catalogue stars found"),
        ({"count": 40, "beside": 37}, "37 with others beside them"),
    ],
)
def test_too_few_are_told_in_a_line_with_what_to_do(given, words):
    with pytest.raises(StageError, match=words) as told:
        calibrate(stars(**given), standard_colours(), EXPOSURE)
    assert "\n" not in str(told.value)
    assert ("expose shorter" if given.get("full") else "wider field") in str(told.value)


def test_limit_is_that_of_a_fitted_profile():
    """King 1983: a star is told as well as by n pixels of sky, n = 1 over the sum of the squares of its profile; summed
    here on a grid of 0.1 px. A Gaussian of that width has 4 pi sigma^2, less, for its wings are less."""
    found = calibrate(stars(), standard_colours(), EXPOSURE)
    width, noise = 4.0, 3.0
    v, u = np.mgrid[-60:60.05:0.1, -60:60.05:0.1]
    profile = (1 + (u**2 + v**2) * (2 ** (1 / 3) - 1) / (0.5 * width) ** 2) ** -3.0
    area = profile.sum() ** 2 / (profile**2).sum() * 0.1**2
    told = limits(found, {"G": noise}, {"G": width}, EXPOSURE)["G"]
    expected = found.zero("G") - 2.5 * np.log10(5 * noise * np.sqrt(area) / EXPOSURE)
    assert told == pytest.approx(expected, abs=0.005)
    assert 1.3 < area / (4 * np.pi * (width / 2.35482) ** 2) < 2


def frames(magnitudes, found, clear=1.0):
    """Frames of one night with a sky of these magnitudes per square arcsec in R, G, B; pixels of 4."""
    rate = {n: 4 * 10 ** (0.4 * (found.zero(n) - m)) for n, m in zip(COLOURS, magnitudes, strict=True)}
    sky = {"R": rate["R"], "G1": rate["G"], "G2": rate["G"], "B": rate["B"]}
    one = {
        "night": "2031-01-01",
        "exposure_s": EXPOSURE,
        "sky": {name: EXPOSURE * value for name, value in sky.items()},
        "transparency": dict.fromkeys(PLANES, clear),
    }
    return [one, one]


def test_sky_of_known_brightness():
    found = calibrate(stars(200), standard_colours(), EXPOSURE)
    less_v = standard_colours().less_v(0.9)
    given = 21.0 + less_v
    (night,) = night_skies(frames(given, found), found, EXPOSURE, 4.0)
    for k, name in enumerate(COLOURS):
        assert night.magnitude[name] == pytest.approx(given[k], abs=0.03)
    assert night.magnitude["V"] == pytest.approx(21.0, abs=0.03)


def test_sky_of_frames_that_were_all_dimmer_than_the_reference():
    """The clearest air is what counts: with 0.6 of the reference's light, stars fix a zero point 0.55 mag lower."""
    found = calibrate(stars(200), standard_colours(), EXPOSURE)
    given = 21.0 + standard_colours().less_v(0.9)
    (night,) = night_skies(frames(given, found, clear=0.6), found, EXPOSURE, 4.0)
    assert night.magnitude["G"] == pytest.approx(given[1] + 2.5 * np.log10(0.6), abs=0.03)


def test_sky_of_lights_of_two_cameras_is_that_of_each():
    """The second has pixels of a quarter of the area behind a lens of half the area, on a sky that is the same."""
    found = calibrate(stars(200), standard_colours(), EXPOSURE)
    given = 21.0 + standard_colours().less_v(0.9)
    (first, _), (second, _) = frames(given, found), frames(given, found, clear=0.5)
    small = second | {"night": "2031-01-02", "sky": {p: value / 8 for p, value in second["sky"].items()}}
    nights = night_skies([first, small], found, EXPOSURE, [4.0, 1.0], kinds=[0, 1])
    for night in nights:
        assert night.magnitude["V"] == pytest.approx(21.0, abs=0.03), night.night


def test_a_colour_without_light_is_left_out_and_a_single_light_without_it_counts_as_others():
    found = calibrate(stars(200), standard_colours(), EXPOSURE)
    given = 21.0 + standard_colours().less_v(0.9)
    (one, _) = frames(given, found)
    none = one | {"sky": one["sky"] | {"B": -0.1}}
    (night,) = night_skies([one, one, none], found, EXPOSURE, 4.0)
    assert night.magnitude["V"] == pytest.approx(21.0, abs=0.03)
    assert night.error["B"] > night.error["R"]
    (night,) = night_skies([one, none, none], found, EXPOSURE, 4.0)
    assert set(night.magnitude) == {"R", "G"}
    dark = one | {"sky": dict.fromkeys(PLANES, 0.0)}
    assert night_skies([dark, dark], found, EXPOSURE, 4.0) == []


def test_no_v_behind_narrow_bands_and_none_of_an_odd_colour():
    found = calibrate(stars(200), standard_colours(), EXPOSURE)
    given = 21.0 + standard_colours().less_v(0.9)
    (night,) = night_skies(frames(given, found), found, EXPOSURE, 4.0, broad=False)
    assert "V" not in night.magnitude
    (night,) = night_skies(frames(given + [0, 0, 3.0], found), found, EXPOSURE, 4.0)
    assert "V" not in night.magnitude
    assert night.magnitude["B"] == pytest.approx(given[2] + 3.0, abs=0.05)
