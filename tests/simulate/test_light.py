from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.moonlight import magnitude, nanolamberts
from fourlight.core.spectra import LINES_NM, RAYLEIGH
from fourlight.sensor.filters import Beam, named_filter
from fourlight.sensor.lightpath import LightPath, of_named_line
from fourlight.sensor.response import WAVE_NM
from fourlight.sensor.sensors import sensor
from fourlight.simulate.light import Throughput, sky_rates, throughput
from fourlight.simulate.scene import Scene, loads
from fourlight.simulate.scene_sky import Night


def grey(share: float, area_cm2: float) -> Throughput:
    """All photons between 500 and 600 nm count with the same share in every colour."""
    return Throughput.of(
        lambda wave: np.tile(np.where((wave >= 500.0) & (wave < 600.0), share, 0.0), (3, 1)), area_cm2
    )


def test_photons_of_a_v_zero_star() -> None:
    # Bessell 1979: 998.8 photons s^-1 cm^-2 A^-1 at 550 nm; a solar spectrum is nearly flat in photons there.
    found = grey(0.5, 10.0).star(5772.0)
    np.testing.assert_allclose(found, 998.8 * 1000.0 * 0.5 * 10.0, rtol=0.01)


def test_faint_star_on_a_square_metre() -> None:
    # V = 23.90 on 1 m^2: 2.42 photons per second in a band of 880 A (P1, P5: width over wavelength 0.16).
    rate = grey(1.0, 1e4).continuum(23.90, 5772.0)[1] * 0.88
    assert rate == pytest.approx(2.42, rel=0.015)


def test_sky_electrons_from_brightness_scale_and_area() -> None:
    scene = loads("[filter]\nbands_nm = [[550.0, 20.0]]\ntransmission = 0.9")
    rate = sky_rates(throughput(scene), Night(sky_mag=21.0, zenith_deg=0.0, sky_temperature_k=5772.0))
    # By hand: 998.8 photons s^-1 cm^-2 A^-1 over 200 A, 106 mm of aperture, green response there, 21 mag.
    green = 0.8 * sensor("bsi-8mp").at(WAVE_NM)[1][(WAVE_NM >= 541) & (WAVE_NM <= 559)].mean()
    by_hand = 998.8 * 200.0 * 0.9 * 0.8 * green * np.pi * 5.3**2 * 10 ** (-0.4 * 21.0)
    # 2 %: the edges of the band are round, which takes 1 % of its width.
    assert rate[1] == pytest.approx(by_hand, rel=0.02)


def test_line_photons() -> None:
    # 1 rayleigh = 1e6 / 4 pi photons s^-1 cm^-2 sr^-1 and 1 sr = 4.25451703e10 arcsec^2.
    found = grey(1.0, 1.0).line("oiii", 1000.0)
    np.testing.assert_allclose(found, 1000.0 * 1e6 / (4 * np.pi) / 4.25451703e10, rtol=1e-6)
    assert np.all(grey(1.0, 1.0).line("halpha") == 0.0)


def test_moon_adds_what_the_model_says() -> None:
    light = throughput(Scene())
    white = {"sky_temperature_k": 5000.0, "moon_temperature_k": 5000.0}
    dark = sky_rates(light, Night(sky_mag=21.587, zenith_deg=0, **white))
    lit = sky_rates(
        light,
        Night(
            sky_mag=21.587,
            zenith_deg=0,
            moon_phase_deg=0,
            moon_zenith_deg=60,
            moon_separation_deg=60,
            **white,
        ),
    )
    # Krisciunas & Schaefer 1991 evaluated: 18.662 with the full Moon, 79 nL without.
    expected = nanolamberts(18.662) / 79.0
    np.testing.assert_allclose(lit / dark, expected, rtol=4e-3)
    assert magnitude(79.0) == pytest.approx(21.587, abs=1e-3)


def test_a_band_moves_and_widens_in_the_light_cone() -> None:
    """By hand: a filter of index n moves by lambda sin^2 / (2 n^2) (Lissberger & Wilcock 1959, first order), an even
    pupil has a mean sin^2 of 1 / (8 f^2): 0.506 nm at 656.3 nm, f/5 and n = 1.8. It loses next to none of its area;
    what no band bounds stays."""
    band, optics = "[filter]\nbands_nm = [[656.3, 20.0]]", "\n[optics]\naperture_mm = 100\nfocal_mm = "
    even = np.maximum(sensor("bsi-8mp").at(WAVE_NM)[0], 1e-9)
    fast, slow = (throughput(loads(band + optics + focal)).curves[0] / even for focal in ("500", "20000"))
    middle_fast, middle_slow = ((curve @ WAVE_NM) / curve.sum() for curve in (fast, slow))
    assert middle_slow - middle_fast == pytest.approx(0.506, rel=0.01)
    assert fast.sum() == pytest.approx(slow.sum(), rel=2e-3)
    freely = [throughput(loads("[filter]\nname = 'none'" + optics + f)).curves for f in ("500", "20000")]
    np.testing.assert_array_equal(*freely)


@pytest.mark.parametrize("name", ["dual-7nm", "dual-3nm", "quad-band"])
@pytest.mark.parametrize("focal", [530.0, 212.0])
def test_lines_are_those_the_program_expects(name: str, focal: float) -> None:
    """Simulator and program on one scale, at f/5 and f/2: where one of them took light as straight, Halpha with
    its [NII] behind 3 nm was 3.5 % off at f/5; steps of a nanometre made 7 %."""
    scene = loads(f"[filter]\nname = '{name}'\n[optics]\nfocal_mm = {focal}")
    light = throughput(scene)
    path = LightPath(sensor("bsi-8mp"), named_filter(name), Beam(focal / 106.0))
    for line in LINES_NM:
        share = of_named_line(path, line).values * 0.8 * 0.95 * 0.8
        np.testing.assert_allclose(light.line(line), share * RAYLEIGH * np.pi * 5.3**2, rtol=1e-9)


def test_dual_band_sees_hydrogen_red_and_oxygen_green_blue() -> None:
    light = throughput(loads("[filter]\nname = 'dual-7nm'"))
    halpha, oiii = light.line("halpha"), light.line("oiii")
    assert halpha.argmax() == 0
    assert oiii[1] > 5 * oiii[0]
    assert oiii[2] > 5 * oiii[0]
