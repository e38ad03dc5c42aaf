"""Length of subs and signal over noise: the factors of the handbook come out of the whole way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fourlight.core.snr import ccd_snr
from fourlight.errors import InputError
from fourlight.sensor.chip import Chip
from fourlight.sensor.filters import Filter, named_filter
from fourlight.sensor.optics import Optics
from fourlight.sensor.rig import SAMPLES, Rig
from fourlight.sensor.sensors import sensor
from fourlight.stages.plan_light import (
    KINDS,
    Target,
    kind_named,
    of_one,
    snr_per_sub,
    usual_target,
)
from fourlight.stages.plan_skies import plan_subs
from fourlight.stages.plan_sub import LENGTHS_S, loss_at, sub_length
from fourlight.stages.plan_time import time_needed
from fourlight.stages.plan_wish import Wish


def rig(chosen: str = "none", **chip: float) -> Rig:
    return Rig(sensor("generic"), named_filter(chosen), Optics(400.0, 80.0), Chip(**chip))  # type: ignore[arg-type]


@pytest.mark.parametrize(("loss", "factor"), [(0.05, 9.756), (0.10, 4.762), (0.01, 49.75)])
def test_length_of_each_colour_is_the_factor_times_read_noise_squared_over_sky(
    loss: float, factor: float
) -> None:
    chip = {"read_noise_e": 2.0, "gain_e_per_adu": 0.6, "dark_e_per_s": 0.01}
    found = sub_length(rig(**chip), KINDS["galaxy"], rig(**chip).sky(21.0), loss=loss)
    expected = factor * (4.0 + 0.36 / 12) / (rig(**chip).sky(21.0) + 0.01)
    assert found.colour_s == pytest.approx(expected, rel=1e-3)
    assert found.colour_s.min() < found.needed_s < found.colour_s.max(), "all colours together lie between"


@pytest.mark.parametrize("chosen", ["none", "dual-7nm", "halpha-7nm", "tri-band"])
def test_the_loss_at_the_length_is_that_asked_for(chosen: str) -> None:
    ours = rig(chosen)
    target, sky = usual_target(ours), ours.sky(20.5)
    found = sub_length(ours, target, sky, loss=0.07)
    assert loss_at(ours, target, sky, found.needed_s)[1] == pytest.approx(0.07, rel=1e-4)
    assert found.advised_s == found.needed_s
    assert found.loss == pytest.approx(0.07, rel=1e-4)
    at = float(np.interp(np.log(found.needed_s), np.log(LENGTHS_S), found.curve[-1]))
    assert at == pytest.approx(0.07, rel=0.02), "the curve goes through it"


def test_the_shortest_limit_rules() -> None:
    ours = rig()
    sky = ours.sky(21.5)
    free = sub_length(ours, KINDS["galaxy"], sky)
    mount = sub_length(ours, KINDS["galaxy"], sky, longest_s=10.0)
    star = sub_length(ours, KINDS["galaxy"], sky, keep_mag=8.0)
    assert mount.advised_s == 10.0
    assert mount.loss > 0.05
    assert star.star_s is not None
    assert star.advised_s == pytest.approx(min(star.star_s, free.needed_s))
    assert float(ours.full_star_mag(star.star_s, 3.0, star.sky_e_s).max()) == pytest.approx(8.0, abs=1e-3)


def red_alone(chosen: Filter) -> Rig:
    """A camera that counts nothing in green and blue, as measured curves may say behind a filter."""
    whole = sensor("generic")
    curves = whole.curves * np.array([[1.0], [0.0], [0.0]])
    return Rig(replace(whole, curves=curves, modes=whole.modes * 0), chosen, Optics(400.0, 80.0), Chip())


def test_a_colour_that_counts_nothing_is_filled_by_no_star() -> None:
    """It was taken for one that the sky fills at once: subs of a millisecond."""
    ours = red_alone(named_filter("halpha-7nm"))
    target, sky = KINDS["faint-nebula"], ours.sky(21.0)
    found = sub_length(ours, target, sky, keep_mag=7.0)
    assert found.star_s is not None
    assert found.star_s > 1.0
    at = ours.full_star_mag(found.star_s, 3.0, found.sky_e_s)
    assert at[0] == pytest.approx(7.0, abs=1e-3)
    assert at[1:].tolist() == [-np.inf, -np.inf]


def test_lines_that_one_colour_counts_alone_are_said_not_to_be_told_apart() -> None:
    """The filter passes both."""
    ours = red_alone(named_filter("none"))
    target = Target("x", rayleigh={"halpha": 30.0, "sii": 10.0})
    with pytest.raises(InputError, match=r"^halpha and sii behind the filter .* cannot be told apart"):
        sub_length(ours, target, ours.sky(21.0))
    assert sub_length(ours, Target("x", rayleigh={"sii": 10.0}), ours.sky(21.0)).about == "sii"


def test_stars_are_full_as_far_as_air_lets_their_light_through() -> None:
    """A Pogson ratio of the light is 2.5 times its logarithm in magnitudes, all else alike."""
    ours = rig()
    above, below = (
        sub_length(ours, KINDS["galaxy"], ours.sky(21.0), longest_s=20.0, passed=part) for part in (1.0, 0.8)
    )
    assert below.full_mag == pytest.approx(above.full_mag + 2.5 * np.log10(0.8))
    moon = plan_subs(ours, Wish(KINDS["galaxy"], longest_s=20.0), 21.0, [], 30.0, 0.2).skies[0].sub
    assert moon.full_mag == pytest.approx(above.full_mag - 0.2 * 1.99, abs=0.005), "air mass of 30 degrees"


def test_a_brighter_sky_asks_for_shorter_subs() -> None:
    ours = rig("dual-7nm")
    lengths = [sub_length(ours, KINDS["faint-nebula"], ours.sky(mag)).needed_s for mag in (21.5, 20.0, 18.0)]
    assert lengths[0] > lengths[1] > lengths[2]


def test_signal_over_noise_of_a_colour_is_that_of_the_equation() -> None:
    ours, target = rig(read_noise_e=3.0, dark_e_per_s=0.02), Target("x", 21.0, 5000.0)
    sky, sub, area = ours.sky(20.0), 100.0, 400.0
    found = snr_per_sub(ours, target, sky, sub, area, passed=0.8, subs=9.0)
    pixels = SAMPLES * area / ours.pixel_arcsec**2
    signal = ours.surface(21.0, 5000.0) * 0.8 * sub
    read = ours.chip.read_variance_e2**0.5
    for k, name in enumerate(("red", "green", "blue")):
        one = ccd_snr(signal[k] * pixels[k], sky[k] * sub, 0.02 * sub, read, pixels[k])
        assert found[name] == pytest.approx(3 * one, rel=1e-9)
    assert found["all colours"] == pytest.approx(
        np.hypot(np.hypot(found["red"], found["green"]), found["blue"])
    )


def test_parts_of_a_night_add_their_squares() -> None:
    ours, target = rig("dual-7nm"), KINDS["bright-nebula"]
    skies = np.array([ours.sky(21.0), ours.sky(19.0)])
    both = snr_per_sub(ours, target, skies, 60.0, 100.0, subs=np.array([5.0, 8.0]))
    single = [snr_per_sub(ours, target, skies[k], 60.0, 100.0, subs=n) for k, n in ((0, 5.0), (1, 8.0))]
    for name, value in both.items():
        # Lines are told apart together, which is never worse than each part by itself.
        assert value == pytest.approx(np.hypot(single[0][name], single[1][name]), rel=1e-3), name


def test_a_line_alone_in_its_filter_needs_no_telling_apart() -> None:
    ours = rig("halpha-7nm")
    found = snr_per_sub(ours, Target("x", rayleigh={"halpha": 50.0}), ours.sky(21.0), 300.0, 100.0)
    assert found["halpha"] == pytest.approx(found["all colours"], rel=1e-9)


def test_telling_lines_apart_costs_signal_over_noise() -> None:
    ours, sky = rig("dual-7nm"), rig("dual-7nm").sky(21.0)
    both = snr_per_sub(ours, Target("x", rayleigh={"halpha": 1.0, "oiii": 1.0}), sky, 300.0, 100.0)
    for name in ("halpha", "oiii"):
        alone = snr_per_sub(ours, Target("x", rayleigh={name: 1.0}), sky, 300.0, 100.0)
        assert 0.8 * alone[name] < both[name] < alone[name]


def test_lines_that_the_filter_holds_back_are_not_told_of() -> None:
    ours = rig("halpha-7nm")
    found = snr_per_sub(ours, KINDS["faint-nebula"], ours.sky(21.0), 300.0, 100.0)
    assert "oiii" not in found
    assert of_one(found)[0] == "halpha"
    with pytest.raises(InputError, match="passes nothing"):
        sub_length(ours, Target("x", rayleigh={"oiii": 10.0}), ours.sky(21.0))


def test_hours_grow_with_the_square_of_the_goal() -> None:
    hours = [time_needed("green", 4.0, goal, 5.0, 0.5).hours for goal in (4.0, 8.0)]
    assert hours == [1.0, 4.0]
    never = time_needed("green", 1e-6, 100.0, 5.0, 0.5)
    assert never.clear_nights is None


def test_kinds_of_targets_are_known_by_name() -> None:
    assert kind_named("galaxy").mag_arcsec2 == 22.5
    with pytest.raises(InputError, match="faint-nebula"):
        kind_named("faintnebula")
