"""Electrons that a brighter sky adds: magnitudes by Pogson's law, moonlight by the model, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from astropy import units as u
from astropy.modeling.models import BlackBody

from fourlight.core.cfa import COLOURS
from fourlight.core.moonlight import magnitude, moon_nl
from fourlight.errors import InputError
from fourlight.sensor.filters import FILTERS
from fourlight.sensor.lightpath import LightPath
from fourlight.sensor.sensors import sensor
from fourlight.stages.plan_skies import Moonlight
from fourlight.stages.whatif_sky import SkyWish, added_light, below_mean, moon_tint
from fourlight.stages.whatif_subs import even_choice

SKY = np.array([[50.0, 60.0, 60.0, 30.0], [100.0, 120.0, 120.0, 60.0]])
MAG = np.array([21.0, 20.2474])
"""The second is twice as bright: 2.5 log10(2) = 0.7526 (Pogson)."""


def test_two_and_a_half_magnitudes_are_ten_times_the_sky() -> None:
    found = added_light(SkyWish(mag=18.5), SKY, MAG, np.ones(4), 60.0, 0.2)
    assert found.electrons[0] == pytest.approx(9 * SKY[0], rel=1e-9)
    assert (found.electrons + SKY)[1] == pytest.approx(10 * SKY[0], rel=1e-4)
    assert found.factor[0] == pytest.approx(np.full(4, 10.0))


def test_a_light_that_is_bright_already_stays_and_is_counted() -> None:
    found = added_light(SkyWish(mag=20.5), SKY, MAG, np.ones(4), 60.0, 0.2)
    assert found.left == 1
    assert found.changed.tolist() == [True, False]


@pytest.mark.parametrize(("light", "read"), [(3.0, 1.6), (50.0, 1.6), (10.0, 4.0)])
def test_medians_lie_below_means_as_counts_are_skew(light: float, read: float) -> None:
    """Against 4 million samples of numpy's, whose median is known to 0.0006 of their scatter."""
    rng = np.random.default_rng(6)
    samples = rng.poisson(light, 4_000_000).astype(np.float32)
    samples += np.float32(read) * rng.standard_normal(len(samples), dtype=np.float32)
    below = float(samples.mean(dtype=np.float64)) - float(np.median(samples))
    assert float(below_mean(light + read**2, read)) == pytest.approx(below, abs=0.03)


def test_a_darker_sky_is_refused() -> None:
    with pytest.raises(InputError, match="never removed"):
        added_light(SkyWish(mag=21.5), SKY, MAG, np.ones(4), 60.0, 0.2)


def test_moonlight_is_that_of_the_model_in_units_of_the_sky() -> None:
    """A sky as bright as the moonlight by itself is doubled by it (equation 15 of the model)."""
    moon = Moonlight(1.0, 60.0, 40.0)
    alone = magnitude(moon_nl(0.0, 50.0, 30.0, 60.0, 0.2))
    found = added_light(SkyWish(moon=moon), SKY, np.full(2, alone), np.ones(4), 60.0, 0.2)
    assert found.electrons == pytest.approx(SKY, rel=1e-9)
    assert found.moon_mag == pytest.approx(alone)
    both = added_light(SkyWish(factor=3.0, moon=moon), SKY, np.full(2, alone), np.ones(4), 60.0, 0.2)
    assert both.electrons == pytest.approx(3 * SKY, rel=1e-9)


def test_moonlight_has_the_colour_of_its_black_body() -> None:
    """Against astropy's black bodies, summed over the curves in steps of 2 nm."""
    path = LightPath(sensor("bsi-8mp").seen_by(COLOURS), FILTERS["uv-ir-cut"])
    tint = moon_tint(path)
    wave = np.arange(402.0, 699.0, 2.0)
    light = []
    for kelvin in (4400.0, 8000.0):
        flux = BlackBody(kelvin * u.K, scale=1.0 * u.erg / (u.s * u.cm**2 * u.AA * u.sr))
        photons = (flux(wave * u.nm) * wave).value
        light.append(path.at(wave) @ photons / float((flux(550.0 * u.nm) * 550.0).value))
    assert tint[[0, 1, 3]] == pytest.approx(light[1] / light[0], rel=0.005)
    assert tint[1] == tint[2]
    assert tint[0] < 1 < tint[3]


@pytest.mark.parametrize(("total", "wanted"), [(20, 7), (9, 9), (100, 2), (13, 12)])
def test_chosen_subs_are_even_over_time(total: int, wanted: int) -> None:
    chosen = even_choice(total, wanted, 5)
    assert len(set(chosen)) == wanted
    assert chosen == sorted(chosen)
    stretch = [int(np.floor(k * wanted / total + 1e-9)) for k in chosen]
    assert stretch == list(range(wanted))
    assert chosen == even_choice(total, wanted, 5)


def test_every_sub_may_be_chosen() -> None:
    seen = {k for seed in range(200) for k in even_choice(10, 3, seed)}
    assert seen == set(range(10))


@pytest.mark.parametrize("wanted", [0, 1, 11])
def test_more_or_fewer_subs_than_there_are_are_refused(wanted: int) -> None:
    with pytest.raises(InputError, match="2 to 10 are needed"):
        even_choice(10, wanted, 1)
