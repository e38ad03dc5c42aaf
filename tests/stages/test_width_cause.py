"""What is said of the cause of different widths."""

import re
from dataclasses import replace
from datetime import UTC, datetime

import galsim
import numpy as np
import pytest

from fields import measured_frame, raw_frame, star_list
from fourlight.frames import RegisteredFrame
from fourlight.stages.width_cause import Sky, known_sky, mosaic_bands, vertical, width_cause
from fourlight.stages.widths import FrameWidths

WAVE, SPREAD = mosaic_bands()
N = 20


def light(width, error=0.003, long=(1.0, 1.0, 1.0), angle=0.0):
    """A light with these widths (R, G, B)."""
    order = [0, 1, 1, 2, 1]
    five, e = np.array(width)[order], np.array(long)[order]
    return FrameWidths(five, 0.6 * five, e, np.full(5, angle), 0.5 * error**2 * np.eye(5), 3.0, 50)


def lights(rng, width, **facts):
    return [light(row * np.exp(rng.normal(0, 0.002, 3)), **facts) for row in width]


def turbulence(rng):
    fried = np.exp(rng.normal(np.log(0.08), 0.15, N))
    return np.array(
        [[galsim.Kolmogorov(lam=w, r0_500=r, scale_unit=galsim.arcsec).fwhm for w in WAVE] for r in fried]
    )


def hours():
    return np.linspace(0, 4, N)


def test_turbulence_is_named_with_its_size():
    rng = np.random.default_rng(1)
    found = width_cause(lights(rng, turbulence(rng) / 1.2), Sky(hours(), arcsec_px=1.2))
    assert found.ranked[0].cause == "seeing"
    assert "Red stars are 2.4 % narrower (2.1 to 2.6)" in found.statement
    assert "turbulence (seeing)" in found.statement


def test_a_lens_is_named_and_turbulence_ruled_out():
    rng = np.random.default_rng(2)
    width = np.sqrt(turbulence(rng)[:, [1, 1, 1]] ** 2 + [1.1**2, 0, 0.3**2])
    found = width_cause(lights(rng, width), Sky(hours()))
    assert found.ranked[0].cause in {"lens", "drift"}
    assert "focus and colour of the lens" in found.statement
    assert re.search(r"1\.1\d ± 0\.0\d px more blur in red", found.statement)
    assert "Turbulence works the other way in red" in found.statement
    assert "added in square" in found.statement


def test_turbulence_and_a_lens_together():
    rng = np.random.default_rng(9)
    found = width_cause(lights(rng, np.sqrt(turbulence(rng) ** 2 + [0.8**2, 0, 0])), Sky(hours()))
    assert found.ranked[0].cause == "both"
    assert (
        "turbulence, which makes red sharper, together with focus and colour of the lens" in found.statement
    )
    assert "works the other way" not in found.statement


def test_a_focus_that_drifts():
    rng = np.random.default_rng(10)
    blur = np.outer(np.linspace(0, 1.5, N), [1, 0, 0])
    found = width_cause(lights(rng, np.sqrt(2.0**2 + blur**2)), Sky(hours()))
    assert "a focus that drifts through the night" in found.statement


def test_causes_that_fit_as_well_are_named_with_what_would_tell_them_apart():
    """The same seeing in all lights: a lens that does what turbulence does looks alike."""
    rng = np.random.default_rng(3)
    one = turbulence(rng)[0]
    found = width_cause(lights(rng, np.tile(one, (N, 1))), Sky(hours()))
    assert " or " in found.statement
    assert "What would tell: " in found.statement
    assert "better and worse seeing" in found.statement


def test_where_nothing_differs_nothing_is_explained():
    rng = np.random.default_rng(4)
    found = width_cause(lights(rng, turbulence(rng)[:, [1, 1, 1]]), Sky(hours()))
    assert found.statement.endswith("no difference for which a cause could be sought.")
    assert found.ratios["R"].scope == "these frames"


def test_no_cause_is_named_where_none_fits_better_than_none_at_all():
    """Ratios that are sure but within what the method itself may be wrong by."""
    rng = np.random.default_rng(11)
    width = turbulence(rng)[:, [1, 1, 1]] * [1.002, 1.0, 1.0]
    found = width_cause(
        [light(row * np.exp(rng.normal(0, 2e-4, 3)), error=2e-4) for row in width], Sky(hours())
    )
    said = found.statement
    assert "ause" not in said or said.endswith(("none can be told.", "a cause could be sought."))
    assert "likely" not in said.lower()


def test_wavelengths_are_those_behind_the_lights_filter_where_it_is_known():
    """Behind a dual narrow filter red is at 656 nm; turbulence as (656 / 520)^-0.2 (Kolmogorov) is 4.5 %."""
    rng = np.random.default_rng(12)
    wave = [mosaic_bands(passed="dual-7nm")[0], WAVE]
    for name, lam in (("Dual 7nm", wave[0]), ("Somebody's", wave[1])):
        fried = np.exp(rng.normal(np.log(0.08), 0.15, N))
        width = np.array(
            [[galsim.Kolmogorov(lam=w, r0_500=r, scale_unit=galsim.arcsec).fwhm for w in lam] for r in fried]
        )
        found = width_cause(lights(rng, width), Sky(hours(), arcsec_px=1.0, filter_name=name))
        assert found.ranked[0].cause == "seeing"
        assert found.statement.endswith("behind a narrow one they are others.") == (name == "Somebody's")


def test_a_known_aperture_fixes_diffraction_and_is_not_asked_for():
    rng = np.random.default_rng(13)
    width = np.tile([2.06, 2.0, 1.95], (N, 1)) * np.exp(rng.normal(0, 0.002, (N, 1)))
    asked = [
        width_cause(
            [light(row) for row in width], Sky(hours(), arcsec_px=1.0, aperture_mm=aperture)
        ).statement
        for aperture in (None, 80.0)
    ]
    assert "the aperture is not known, so its size cannot be checked" in asked[0]
    assert "is not known" not in asked[1]
    assert "diffraction by the aperture of 80 mm counted in" in asked[1]


def test_an_aperture_that_blurs_more_than_stars_are_wide_is_not_believed():
    """1.03 wavelengths of 550 nm over 8 mm (inches, perhaps) are 14.6 arcsec; all stays as without it."""
    width = np.tile([2.06, 2.0, 1.95], (N, 1)) * np.exp(np.random.default_rng(13).normal(0, 0.002, (N, 1)))
    none, odd = (
        width_cause([light(row) for row in width], Sky(hours(), arcsec_px=1.0, aperture_mm=aperture))
        for aperture in (None, 8.0)
    )
    assert odd.statement.startswith(none.statement)
    assert "The aperture of 8 mm in the headers would blur stars by 15 arcsec" in odd.statement
    assert [one.cause for one in odd.ranked] == [one.cause for one in none.ranked]


def test_width_goes_with_air_mass():
    """0.6 by turbulence alone; air mass from the heights of GalSim's own zenith angles."""
    rng, altitude = np.random.default_rng(5), np.linspace(75, 25, N)
    mass = 1 / np.cos(np.radians(90 - altitude))
    width = np.array([2.0, 2.05, 2.1]) * mass[:, None] ** 0.6
    found = width_cause(lights(rng, width), Sky(hours(), altitude_deg=altitude, arcsec_px=1.0))
    assert found.air_mass_power is not None
    assert found.air_mass_power.value == pytest.approx(0.6, abs=0.03)
    assert "air mass to the power 0.6" in found.statement
    level = width_cause(lights(rng, width), Sky(hours(), altitude_deg=np.full(N, 50.0)))
    assert level.air_mass_power is None


@pytest.mark.parametrize("way", [0.0, 90.0])
def test_stretch_along_the_vertical_tells_dispersion(way):
    """All lights at 60 degrees; blue stretched along the vertical, or as much across it."""
    rng, tangent = np.random.default_rng(6), np.tan(np.radians(60.0))
    seeing, rms = 2.0, SPREAD * tangent
    along = np.sqrt(seeing**2 + 8 * np.log(2) * rms**2)
    frames = [
        light(np.sqrt(along * seeing) * np.exp(rng.normal(0, 0.002, 3)), long=along / seeing + rng.normal(0, 0.002, 3),
              angle=30.0 + way) for _ in range(N)
    ]  # fmt: skip
    sky = Sky(hours(), altitude_deg=np.full(N, 30.0), arcsec_px=1.0, vertical_deg=np.full(N, 30.0))
    found = width_cause(frames, sky)
    assert (found.ranked[0].cause == "dispersion") == (way == 0.0)


def test_too_few_lights_are_said_to_be():
    rng = np.random.default_rng(7)
    some = lights(rng, turbulence(rng)[:3])
    found = width_cause(some, Sky(hours()[:3]))
    assert found.statement.startswith("3 lights show stars in red, green and blue; 4 are needed")
    assert found.ranked == ()
    nothing = width_cause([light([np.nan, 2.0, 2.0])] * 6, Sky(hours()[:6]))
    assert nothing.statement.startswith("0 lights")


def test_lights_without_a_width_or_a_vertical_are_passed_over():
    rng = np.random.default_rng(8)
    frames = lights(rng, turbulence(rng))
    frames[3] = light([np.nan, 2.0, 2.0])
    up = np.full(N, np.nan)
    found = width_cause(frames, Sky(hours(), arcsec_px=1.0, vertical_deg=up, nights=["a"] * N))
    assert found.ranked[0].cause == "seeing"


def test_the_vertical_is_where_blue_is_shifted_from_red():
    stars = star_list(np.ones(1), np.ones(1), np.ones((1, 4)))
    offset = np.zeros((4, 2, 3))
    offset[0, :, 2], offset[3, :, 2] = [0.2, 0.0], [0.0, 0.2]
    frame = RegisteredFrame(measured_frame("a", stars, (100, 100)), np.eye(2, 3), 0.1, 9, offset=offset)
    assert vertical(frame) == pytest.approx(135.0)
    still = RegisteredFrame(measured_frame("a", stars, (100, 100)), np.eye(2, 3), 0.1, 9)
    assert np.isnan(vertical(still))


def test_what_headers_tell_of_the_sky():
    """Venus of Meeus, example 13.b: 15.12 degrees high at 1987 April 10, 19h21m UT."""
    stars = star_list(np.ones(1), np.ones(1), np.ones((1, 4)))
    facts = {
        "ra_deg": 347.3193375,
        "dec_deg": -6.719892,
        "latitude_deg": 38.921389,
        "longitude_deg": -77.065556,
        "aperture_mm": 80.0,
        "filter_name": "dual-7nm",
    }
    frames = []
    for minute in (21, 51):
        when = datetime(1987, 4, 10, 19, minute, tzinfo=UTC)
        raw = raw_frame("a", (100, 100), time=when, night="1987-04-10", **facts)
        measured = replace(measured_frame("a", stars, (100, 100)), raw=raw)
        frames.append(RegisteredFrame(measured, 2.0 * np.eye(2, 3), 0.1, 9))
    sky = known_sky(frames, 1.5)
    np.testing.assert_allclose(sky.hours, [0.0, 0.5])
    assert sky.altitude_deg[0] == pytest.approx(15.12, abs=0.01)
    np.testing.assert_allclose(sky.arcsec_px, 3.0)
    assert (sky.aperture_mm, sky.filter_name) == (80.0, "dual-7nm")
    other = replace(frames[0].measured.raw, aperture_mm=90.0)
    mixed = [replace(frames[0], measured=replace(frames[0].measured, raw=other)), frames[1]]
    assert known_sky(mixed).aperture_mm is None
    assert np.isnan(sky.vertical_deg).all()
    bare = known_sky([RegisteredFrame(measured_frame("a", stars, (9, 9)), np.eye(2, 3), 0.1, 9)] * 3)
    assert bare.altitude_deg is None
    assert bare.arcsec_px is None
    assert bare.hours.tolist() == [0.0, 1.0, 2.0]
