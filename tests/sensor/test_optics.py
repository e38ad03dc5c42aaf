"""Optics and sensors as they are written, and what is refused of them."""

from __future__ import annotations

import math

import pytest

from fourlight.errors import InputError
from fourlight.sensor.chip import Chip
from fourlight.sensor.optics import Optics, optics_from_text


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("400mm,f/5", Optics(400.0, 80.0)),
        ("f/5, 400 mm", Optics(400.0, 80.0)),
        ("400mm,aperture=80mm", Optics(400.0, 80.0)),
        ("1000mm,F/4,obstruction=0.35,transmission=0.9", Optics(1000.0, 250.0, 0.35, 0.9)),
    ],
)
def test_what_is_written_is_what_is_meant(text: str, found: Optics) -> None:
    assert optics_from_text(text) == found


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("400mm", "f-ratio or aperture, one of the two"),
        ("f/5", "the focal length is needed"),
        ("400mm,80mm", "twice"),
        ("400mm,f/5,aperture=80", "one of the two"),
        ("400,f/5", "'400' is not understood"),
        ("400mm,f/0", "f-ratio of 0"),
        ("400mm,f/0.5", "nothing is faster"),
        ("400mm,f/5,obstruction=0.95", "obstruction 0.95,"),
        ("400mm,f/5,transmission=90", "transmission 90:"),
        ("4..0mm,f/5", "not understood"),
        ("", "an empty part"),
    ],
)
def test_what_is_missing_or_twice_there_is_refused(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        optics_from_text(text)


def test_scale_and_field_are_those_of_geometry() -> None:
    """206.265 p / f, and twice the angle whose tangent is half the side over the focal length."""
    optics = Optics(530.0, 106.0)
    assert optics.scale_arcsec(3.76) == pytest.approx(206.265 * 3.76 / 530, rel=1e-5)
    assert optics.field_deg(23.5) == pytest.approx(math.degrees(2 * math.atan(23.5 / 1060)))
    assert optics.area_cm2 == pytest.approx(math.pi * 5.3**2)


def test_noise_of_rounding_adds_a_twelfth_of_the_gain_squared() -> None:
    """EMVA 1288: 1/12 ADU^2."""
    assert Chip(read_noise_e=3.0, gain_e_per_adu=2.0).read_variance_e2 == pytest.approx(9 + 4 / 12)


def test_a_sample_is_full_at_its_well_or_at_the_end_of_the_converter() -> None:
    assert Chip(full_well_e=50_000, gain_e_per_adu=1.0).full_e == 50_000
    for bits in (12, 14, 16):  # 0.8 % of the range is below no light
        held = Chip(full_well_e=1e6, gain_e_per_adu=0.25, adc_bits=bits).full_e
        assert 0.98 * 0.25 * 2**bits < held < 0.25 * 2**bits


@pytest.mark.parametrize(
    "wrong", [{"pixel_um": 376.0}, {"peak_efficiency": 80.0}, {"read_noise_e": 0.0}, {"width_px": 0}]
)
def test_numbers_out_of_range_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(InputError, match=next(iter(wrong))):
        Chip(**wrong)  # type: ignore[arg-type]
