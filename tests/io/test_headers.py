"""Headers as found in practice. Keywords without a source are common practice."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fourlight.core.cfa import PATTERNS
from fourlight.frames import RawFrame, Role
from fourlight.io.cards import parse
from fourlight.io.header_values import sexagesimal
from fourlight.io.headers import facts
from fourlight.pipeline.whatif_lights import light_cards


def said(*lines: str, ny: int = 100, nx: int = 100, bitpix: int = 16) -> dict[str, Any]:
    """Facts of a header given as card texts."""
    return facts(
        parse("".join(line[:80].ljust(80) for line in (*lines, "END")).encode("latin-1")), ny, nx, bitpix
    )


@pytest.mark.parametrize(
    ("card", "seconds"),
    [
        ("EXPTIME = 120.4", 120.4),
        ("EXPOSURE= 300 / exposure in seconds", 300.0),
        ("EXPTIME = 1500. / [ms] exposure", 1.5),
        ("EXPOSURE= 2000000 / microseconds", 2.0),
        ("EXPTIME = '180 s'", 180.0),
        ("EXPTIME = '1/8'", 0.125),
        ("EXPTIME = 5 / [min]", 300.0),
        ("EXPOTIME= 60 / sixty at min 3 gain", 60.0),
        ("EXPOINUS= 32000", 0.032),
        ("EXPTIME = -1", None),
        ("EXPTIME = 'long'", None),
        ("EXPTIME = 1E300", None),
    ],
)
def test_exposure(card: str, seconds: float | None) -> None:
    assert said(card)["exposure_s"] == pytest.approx(seconds)


def test_two_exposures_that_differ_are_a_problem() -> None:
    both = said("EXPTIME = 10.0", "EXPOSURE= 300.0")
    assert both["exposure_s"] == 10.0
    assert both["problems"] == ("EXPTIME says 10 s, EXPOSURE 300 s; the first is used",)
    assert said("EXPTIME = 10.0", "EXPOSURE= 10")["problems"] == ()


@pytest.mark.parametrize(
    ("card", "field", "words"),
    [
        ("GAIN    = 'abc'", "gain_setting", "GAIN card 'abc' not readable"),
        ("EXPTIME = 'long'", "exposure_s", "EXPTIME card 'long' not readable"),
        ("CCD-TEMP= 'cold'", "temperature_c", "CCD-TEMP card 'cold' not readable"),
    ],
)
def test_a_card_that_cannot_be_read_is_told_from_none(card: str, field: str, words: str) -> None:
    found = said(card)
    assert found[field] is None
    assert found["unread"] == ((field, words),)
    assert words in found["problems"]
    assert said("OBJECT  = 'x'", "SHUTTER = 'open'")["unread"] == ()
    assert said("GAIN    = 'abc'", "GAIN    = 'abc'", "ISO     = 800")["unread"] == ()


@pytest.mark.parametrize(
    ("cards", "setting", "e_per_adu", "noted"),
    [
        (["GAIN    = 100"], 100.0, None, False),
        (["GAIN    = 100", "EGAIN   = 0.78"], 100.0, 0.78, False),
        (["GAIN    = 0", "EGAIN   = 3.2"], 0.0, 3.2, False),
        (["EGAIN   = 0.78 / electrons per ADU"], None, 0.78, False),
        (["GAIN    = 0.78 / [e-/ADU]"], None, 0.78, False),
        (["GAIN    = 2.0 / electrons per count"], None, 2.0, False),
        (["GAIN    = 2.0 / ADU/e-"], None, 0.5, False),
        (["GAIN    = 1.35"], None, 1.35, True),
        (["GAIN    = 1"], 1.0, None, False),
        (["ISO     = 800"], 800.0, None, False),
        (["ISOSPEED= 1600", "GAIN    = 0.4 / e/adu"], 1600.0, 0.4, False),
        (["EGAIN   = 0.78", "GAIN    = 0.78"], None, 0.78, False),
        (["EGAIN   = 0"], None, None, False),
        (["GAIN    = 120 / electronic gain, 0.1 dB"], 120.0, None, False),
        (["GAIN    = 5000 / electrons"], 5000.0, None, False),
        (["GAIN    = 1.5 / photoelectrons per ADU"], None, 1.5, False),
    ],
)
def test_gain_setting_against_electrons(
    cards: list[str], setting: float | None, e_per_adu: float | None, noted: bool
) -> None:
    found = said(*cards)
    assert (found["gain_setting"], found["gain_e_per_adu"]) == (setting, e_per_adu)
    assert any("no unit" in problem for problem in found["problems"]) is noted


@pytest.mark.parametrize(
    ("card", "celsius"),
    [
        ("CCD-TEMP= -10.1", -10.1),
        ("SET-TEMP= -10", -10.0),
        ("CAMTEMP = '11 C    '           / Celsius", 11.0),
        ("DET-TEMP= 263.15 / [K]", -10.0),
        ("CCD-TEMP= 263.15", -10.0),
        ("CCD-TEMP= -999", None),
        ("CCD-TEMP= 'n/a'", None),
    ],
)
def test_temperature(card: str, celsius: float | None) -> None:
    assert said(card)["temperature_c"] == pytest.approx(celsius)


def test_measured_temperature_before_the_set_point() -> None:
    assert said("SET-TEMP= -10", "CCD-TEMP= -9.7")["temperature_c"] == -9.7


@pytest.mark.parametrize(
    ("cards", "ra", "dec"),
    [
        (["RA      = 83.8221", "DEC     = -5.3911"], 83.8221, -5.3911),
        # 5h35m17.3s is 83.82208 degrees (15 degrees per hour); the sign of -0d30m stays
        (["RA      = '05 35 17.3'", "DEC     = '-05 23 28'"], 83.822083, -5.391111),
        (["OBJCTRA = '05:35:17.3'", "OBJCTDEC= '-00:30:00'"], 83.822083, -0.5),
        (["RA      = 5.5 / [hours]", "DEC     = 10.0"], 82.5, 10.0),
        (["RA      = '83:49:19' / degrees", "DEC     = '+10:00:00'"], 83.821944, 10.0),
        (["RA      = '5h35m17.3s'", "DEC     = '-5d23m28s'"], 83.822083, -5.391111),
        (["RA-MNT  = 301.56439 / Degrees", "DEC-MNT = 44.456875 / Degrees"], 301.56439, 44.456875),
        (
            ["RA      = 1.0", "DEC     = 2.0", "CTYPE1  = 'RA---TAN'", "CRVAL1  = 3.0", "CRVAL2  = 4.0"],
            3.0,
            4.0,
        ),
        (["RA      = '83.8221 (J2000.0)'", "DEC     = '-5.3911 (J2000.0)'"], 83.8221, -5.3911),
        (["RA      = '5 35 17 3'", "DEC     = '-5 23 28'"], None, None),
        (["RA      = 400.0", "DEC     = 2.0"], None, None),
        (["RA      = 40.0", "DEC     = 100.0"], None, None),
        (["RA      = 40.0"], None, None),
    ],
)
def test_position(cards: list[str], ra: float | None, dec: float | None) -> None:
    found = said(*cards)
    assert found["ra_deg"] == pytest.approx(ra, abs=1e-5)
    assert found["dec_deg"] == pytest.approx(dec, abs=1e-5)


@pytest.mark.parametrize(
    ("cards", "lat", "lon"),
    [
        (["SITELAT = '+48 30 00'", "SITELONG= '-155 34 48'"], 48.5, -155.58),
        (["LAT-OBS = 19.54", "LONG-OBS= -155.58"], 19.54, -155.58),
        (["OBSGEO-B= -30.5", "OBSGEO-L= 200.0"], -30.5, -160.0),
        (["SITELAT = 10.0", "SITELONG= '155 30 00 W'"], 10.0, -155.5),
        (["SITELAT = 10.0", "SITELONG= 20.0 / degrees, west positive"], 10.0, -20.0),
        (["SITELAT = '33.9 S'", "SITELONG= '155.5 W'"], -33.9, -155.5),
        (["SITELAT = '33 30.6 S'", "SITELONG= 'W 155.5'"], -33.51, -155.5),
        (["SITELAT = '33.9 deg south'", "SITELONG= '20.5 E'"], -33.9, 20.5),
        (["SITELAT = '35.5 degS'", "SITELONG= '20.5degreesW'"], -35.5, -20.5),
        (["SITELAT = '+19.5 deg'", "SITELONG= '155 30 30 30 W'"], 19.5, None),
        (["SITELAT = 0.0", "SITELONG= 0.0"], None, None),
        (["SITELAT = 100.0", "SITELONG= 10.0"], None, None),
    ],
)
def test_site(cards: list[str], lat: float | None, lon: float | None) -> None:
    found = said(*cards)
    assert found["latitude_deg"] == pytest.approx(lat)
    assert found["longitude_deg"] == pytest.approx(lon)


def test_a_clock_that_runs_by_itself() -> None:
    """TIMESYS LOCAL of FITS Standard 4.0 section 9.2.1 (from memory); what-ifs write it of clocks of unknown zone."""
    assert said("DATE-OBS= '2031-03-04T22:10:11'", "TIMESYS = 'UTC'")["zone_known"]
    assert not said("DATE-OBS= '2031-03-04T22:10:11'", "TIMESYS = 'LOCAL'")["zone_known"]
    frame = RawFrame(Path("a.dng"), 0, 100, 100, Role.LIGHT, "folder", zone_known=False)
    assert light_cards(frame, np.zeros(4))["TIMESYS"][0] == "LOCAL"
    assert "TIMESYS" not in light_cards(replace(frame, zone_known=True), np.zeros(4))


def test_labels_and_optics() -> None:
    found = said(
        "INSTRUME= 'Invented  One'", "OBJECT  = 'Veil of nowhere'", "FILTER  = 'dual 7 nm'", "OFFSET  = 50",
        "XBINNING= 2", "XPIXSZ  = 3.76", "FOCALLEN= 400.0 / [mm]", "RDNOISE = 1.5 / electrons",
    )  # fmt: skip
    assert (found["camera"], found["object_name"], found["filter_name"]) == (
        "Invented One",
        "Veil of nowhere",
        "dual 7 nm",
    )
    assert (found["offset_setting"], found["binning"], found["pixel_um"], found["focal_mm"]) == (
        50,
        2,
        3.76,
        400,
    )
    assert found["read_noise_e"] == 1.5
    assert "binned 2 x 2" in found["problems"][0]
    assert said("PIXSIZE = 3.76E-6 / [m]")["pixel_um"] == pytest.approx(3.76)
    assert said("FOCALLEN= 0.4 / [m]")["focal_mm"] == pytest.approx(400)
    assert said("APTDIA  = 0.08 / [m]")["aperture_mm"] == said("APTDIA  = 80.0 / [mm]")["aperture_mm"] == 80.0
    assert said("APTDIA  = 0.0")["aperture_mm"] is None
    assert said("RDNOISE = 7.5 / [ADU]")["read_noise_e"] is None
    assert said("FILTER  = 'None'")["filter_name"] is None
    assert said("CCDSUM  = '2 2'")["binning"] == 2


@pytest.mark.parametrize(
    ("cards", "bitpix", "full"),
    [
        (["BZERO   = 32768"], 16, 65535.0),  # FITS Standard table 11: unsigned 16 bit
        ([], 16, 32767.0),
        ([], 8, 255.0),
        ([], -32, None),
        ([], 32, None),
        (["SATURATE= 60000"], 16, 60000.0),
        (["BZERO   = 32768", "DATAMAX = 16383"], 16, 16383.0),
        (["BZERO   = 32768", "DATAMAX = 21034"], 16, 65535.0),
    ],
)
def test_full_level(cards: list[str], bitpix: int, full: float | None) -> None:
    assert said(*cards, bitpix=bitpix)["saturation_adu"] == full


def test_pedestal_by_size_and_zero_says_nothing() -> None:
    assert said("PEDESTAL= -100")["black_adu"] == 100
    assert said("PEDESTAL= 512")["black_adu"] == 512
    assert said("PEDESTAL= 0")["black_adu"] is None


@pytest.mark.parametrize(
    ("cards", "shape", "pattern", "source"),
    [
        (["BAYERPAT= 'RGGB'"], (100, 100), "RGGB", "BAYERPAT"),
        (["COLORTYP= 'bggr '"], (100, 100), "BGGR", "COLORTYP"),
        (["FILTER  = 'RGGB'"], (100, 100), "RGGB", "FILTER"),
        (["BAYERPAT= 'GRBG'", "FILTER  = 'RGGB'"], (100, 100), "GRBG", "BAYERPAT"),
        (["BAYERPAT= 'CMYG'", "FILTER  = 'RGGB'"], (100, 100), "RGGB", "FILTER"),
        (["BAYERPAT= 'RGGB'", "XBAYROFF= 0", "YBAYROFF= 0"], (100, 100), "RGGB", "BAYERPAT"),
        (
            ["BAYERPAT= 'RGGB'", "XBAYROFF= 1", "YBAYROFF= 0"],
            (100, 100),
            "GRBG",
            "BAYERPAT, XBAYROFF, YBAYROFF",
        ),
        (["BAYERPAT= 'RGGB'", "YBAYROFF= 1"], (100, 100), "GBRG", "BAYERPAT, YBAYROFF"),
        (["BAYERPAT= 'RGGB'", "ROWORDER= 'TOP-DOWN'"], (100, 100), "RGGB", "BAYERPAT"),
        # top-bottom mirror: RGGB becomes GBRG with an even number of rows and stays with an odd one
        (["BAYERPAT= 'RGGB'", "ROWORDER= 'BOTTOM-UP'"], (100, 100), "GBRG", "BAYERPAT, ROWORDER"),
        (["BAYERPAT= 'RGGB'", "ROWORDER= 'BOTTOM-UP'"], (101, 100), "RGGB", "BAYERPAT, ROWORDER"),
        (["BAYERPAT= 'CMYG'"], (100, 100), None, "none"),
        ([], (100, 100), None, "none"),
    ],
)
def test_mosaic(cards: list[str], shape: tuple[int, int], pattern: str | None, source: str) -> None:
    found = said(*cards, ny=shape[0], nx=shape[1])
    assert (found["mosaic"], found["mosaic_source"]) == (pattern, source)
    assert found["filter_name"] is None


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("ny", [8, 9])
def test_a_mosaic_stored_bottom_up_is_the_flipped_array(pattern: str, ny: int) -> None:
    """The pattern read for the stored array equals the letters of numpy's own flip of a labelled frame."""
    letters = np.array(list(pattern)).reshape(2, 2)
    top_down = np.tile(letters, (5, 5))[:ny, :10]
    stored = np.flipud(top_down)
    found = said(f"BAYERPAT= '{pattern}'", "ROWORDER= 'BOTTOM-UP'", ny=ny, nx=10)["mosaic"]
    assert found == "".join(stored[:2, :2].ravel())


def test_degrees_of_arc() -> None:
    assert sexagesimal("12:60:00") is None
    assert sexagesimal("hello") is None
    assert sexagesimal("-0 0 36") == pytest.approx(-0.01)
    assert sexagesimal("12 30.5 10") is None


CARD = st.one_of(
    st.binary(min_size=80, max_size=80),
    st.tuples(
        st.sampled_from(
            ["EXPTIME", "GAIN", "RA", "DEC", "DATE-OBS", "BAYERPAT", "SITELONG", "CCD-TEMP", "XBINNING"]
        ),
        st.text(st.characters(codec="latin-1"), max_size=60),
    ).map(lambda pair: f"{pair[0]:8s}= {pair[1]}".encode("latin-1")[:80].ljust(80)),
)


@settings(max_examples=300, deadline=None)
@given(st.lists(CARD, max_size=12))
def test_garbage_never_breaks_the_reading(cards: list[bytes]) -> None:
    found = facts(parse(b"".join(cards)), 100, 100, 16)
    assert found["mosaic"] is None or found["mosaic"] in PATTERNS
    for name in ("exposure_s", "gain_e_per_adu", "temperature_c", "ra_deg", "longitude_deg"):
        assert found[name] is None or math.isfinite(found[name])
