"""Electrons from skies, surfaces, lines and stars, against the simulator's way and against synthetic photometry."""

from __future__ import annotations

import numpy as np
import pytest

from fourlight.core.spectra import RAYLEIGH
from fourlight.sensor.chip import Chip
from fourlight.sensor.filters import named_filter
from fourlight.sensor.lightpath import of_named_line
from fourlight.sensor.optics import Optics
from fourlight.sensor.rig import DARK_SKY_K, MOONLIT_SKY_K, SAMPLES, Rig
from fourlight.sensor.sensors import sensor
from fourlight.simulate.light import throughput
from fourlight.simulate.scene import loads


def rig(chosen: str = "luminance", **chip: float) -> Rig:
    return Rig(sensor("bsi-8mp"), named_filter(chosen), Optics(530.0, 106.0, transmission=0.8), Chip(**chip))  # type: ignore[arg-type]


@pytest.mark.parametrize("chosen", ["luminance", "dual-7nm", "quad-band"])
def test_rates_are_those_of_the_simulator(chosen: str) -> None:
    """It sums over steps of 1 nm, here over 0.1 nm: 0.1 % at bands of 7 nm."""
    scene = loads(
        f'[filter]\nname = "{chosen}"\ntransmission = 1.0\n[optics]\ntransmission = 0.8\n[camera]\npeak_qe = 0.8'
    )
    light, ours = throughput(scene), rig(chosen)
    assert ours.star(9.0, 5772.0) == pytest.approx(light.star(5772.0) * 10 ** (-0.4 * 9.0), rel=0.002)
    assert ours.surface(21.0, 4400.0) == pytest.approx(
        light.continuum(21.0, 4400.0) * ours.pixel_arcsec**2, rel=0.002
    )


def test_a_line_is_its_photons_times_the_response() -> None:
    """One rayleigh is 1e6 / 4 pi photons a second, square centimetre and steradian."""
    ours = rig("halpha-7nm")
    found = ours.line_rates({"sii": 1.0})
    assert found.max() < 1e-6, "no [SII] through a band on Hα"
    (rate,) = ours.line_rates({"halpha": 10.0}).T
    photons = 10 * RAYLEIGH * ours.optics.area_cm2 * ours.pixel_arcsec**2 * 0.8 * 0.8
    shares = {"halpha": 1.0, "nii": 0.3, "nii_weak": 0.3 / 2.95}
    expected = sum(share * of_named_line(ours.path, name).values for name, share in shares.items()) * photons
    assert rate == pytest.approx(expected, rel=1e-3), "[NII] comes with it"


def test_brighter_skies_and_larger_apertures_count_in_proportion() -> None:
    small, large = (
        Rig(sensor("bsi-8mp"), named_filter("none"), Optics(400.0, d), Chip()) for d in (50.0, 100.0)
    )
    assert large.sky(21.0) == pytest.approx(4 * small.sky(21.0), rel=1e-6)
    assert small.sky(18.5) == pytest.approx(10 * small.sky(21.0), rel=1e-6)
    assert small.sky(21.0, 20.0) == pytest.approx(
        small.surface(21.0, DARK_SKY_K) + small.surface(20.0, MOONLIT_SKY_K)
    )
    assert SAMPLES.sum() == 1.0


def test_a_star_that_is_just_full_fills_its_pixel() -> None:
    ours = rig(full_well_e=20_000.0, gain_e_per_adu=1.0)
    sky = ours.sky(20.0)
    mags = ours.full_star_mag(60.0, 3.0, sky)
    from fourlight.core.snr import peak_share

    share = peak_share(3.0 / ours.pixel_arcsec)
    for k, mag in enumerate(mags):
        peak = ours.star(float(mag), 6000.0)[k] * share * 60 + sky[k] * 60
        assert peak == pytest.approx(20_000.0, rel=1e-9)
    assert np.isnan(ours.full_star_mag(1e6, 3.0, sky)).all(), "the sky alone fills it"


def test_curves_that_are_absolute_need_no_efficiency() -> None:
    from dataclasses import replace

    relative = sensor("bsi-8mp")
    absolute = replace(relative, scale="absolute")
    one, other = (
        Rig(each, named_filter("none"), Optics(400.0, 80.0), Chip(peak_efficiency=0.5))
        for each in (relative, absolute)
    )
    assert other.sky(21.0) == pytest.approx(2 * one.sky(21.0))
