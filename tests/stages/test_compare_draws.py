"""Draws of a comparison: what is stated stays, what is shared is off alike, and nothing is drawn that cannot be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from compare_setups import compared, setup
from fourlight.sensor.filters import Filter
from fourlight.sensor.rig import Rig
from fourlight.stages.compare_draws import Draw, as_drawn, drawn
from fourlight.stages.compare_light import counted, kinds_of, light_of
from fourlight.stages.plan_light import KINDS, Target


def test_a_star_is_as_uncertain_as_the_curves_that_count_it():
    """Through one filter, light of the colour of a star is off by the same part as the star."""
    target = Target("as a star", 20.0, 5800.0)
    one = setup(filters=[("wheel-green", 1.0)])
    light = light_of(one, target, kinds_of(target))
    off = as_drawn(light[0], drawn(1, 0, [light, light], ["curves"], 3.0), (0, 0))
    part = off.columns.sum(axis=1) / light[0].columns.sum(axis=1)
    assert np.abs(part - 1).max() > 0.005
    assert off.star / light[0].star == pytest.approx(part, rel=1e-9)


def test_draws_are_the_same_for_the_same_seed_and_differ_for_another():
    one, same, other = (
        compared("colour-dual", "mono-two-lines", draws=20, seed=n).quantities[0] for n in (1, 1, 2)
    )
    assert (one.low, one.high) == (same.low, same.high)
    assert (one.low, one.high) != (other.low, other.high)


def test_a_draw_as_stated_changes_nothing():
    (seen,) = light_of(setup(filters=[("dual-7nm", 1.0)]), KINDS["faint-nebula"], ("halpha", "oiii"))
    same = as_drawn(seen, Draw(), (0, 0))
    assert same.columns == pytest.approx(seen.columns)
    assert same.skies == pytest.approx(seen.skies)


def test_the_same_optics_are_off_alike_whether_what_they_pass_is_stated_or_assumed():
    target = KINDS["galaxy"]
    one = setup(filters=[("wheel-green", 1.0)])
    glass = one.glass[0]
    lens = replace(glass.rig.optics, assumed=True)
    other = replace(one, glass=(replace(glass, rig=replace(glass.rig, optics=lens)),))
    lights = [light_of(each, target, kinds_of(target)) for each in (one, other)]
    draw = drawn(1, 0, lights, ["optics"], 3.0)
    first, second = (as_drawn(light[0], draw, (k, 0)).columns for k, light in enumerate(lights))
    assert first == pytest.approx(second)
    assert first != pytest.approx(lights[0][0].columns)


def test_a_filter_with_a_curve_may_pass_more_than_it_as_well_as_less():
    glass = setup(filters=[("wheel-green", 1.0)]).glass[0]
    rig = glass.rig
    curve = Filter("own", table=(np.array([480.0, 500.0, 580.0, 600.0]), np.array([0.0, 0.9, 0.9, 0.0])))
    own = replace(glass, rig=Rig(rig.response, curve, rig.optics, rig.chip))
    seen = counted(own, KINDS["galaxy"], kinds_of(KINDS["galaxy"]))
    for more, part in ((0.05, 0.95 / 0.9), (-0.05, 0.85 / 0.9), (0.2, 1 / 0.9)):
        found = as_drawn(seen, Draw(filters={(0, 0): more}), (0, 0))
        assert found.columns == pytest.approx(part * seen.columns)


def test_fewer_dyes_count_more_of_a_camera_with_them_than_without():
    """The colour camera stays as its curves say; the one without dyes counts less the more dyes pass."""
    (mono,) = light_of(
        setup(mono=True, filters=[("halpha-7nm", 1.0)]), KINDS["faint-nebula"], ("halpha", "oiii")
    )
    (colour,) = light_of(setup(filters=[("halpha-7nm", 1.0)]), KINDS["faint-nebula"], ("halpha", "oiii"))
    draw = Draw(dyes_pass=1.0)
    assert as_drawn(mono, draw, (0, 0)).columns == pytest.approx(0.9 * mono.columns)
    own = replace(mono, glass=replace(mono.glass, dyes_pass=None))
    assert as_drawn(own, draw, (0, 0)).columns == pytest.approx(mono.columns), "its curve is its own"
    assert as_drawn(colour, draw, (0, 0)).columns == pytest.approx(colour.columns)


@pytest.mark.parametrize("peak", [0.8, 0.88])
def test_no_draw_makes_more_than_one_electron_of_a_photon(peak):
    """A sensor is the same with its dyes and without: what it cannot do without them lowers what it does with them."""
    target = KINDS["faint-nebula"]
    setups = [setup(mono=mono, filters=[("halpha-7nm", 1.0)]) for mono in (False, True)]
    chips = [replace(each.glass[0].rig.chip, peak_efficiency=peak) for each in setups]
    lights = []
    for each, chip in zip(setups, chips, strict=True):
        rig = replace(each.glass[0].rig, chip=chip)
        lights.append([counted(replace(each.glass[0], rig=rig), target, kinds_of(target))])
    curves = [light[0].glass.rig.response for light in lights]
    best, given = [], []
    for number in range(200):
        draw = drawn(1, number, lights, ["curves", "efficiency", "dyes"], 3.0)
        ((name, factor),) = draw.efficiency.items()
        z = draw.curves[name]
        colour, mono = (peak * (one.curves + np.tensordot(z, one.modes, 1)).max() * factor for one in curves)
        best.append(max(colour, mono * 0.9 / draw.dyes_pass))
        given.append(factor)
    assert max(best) == pytest.approx(1.0), "some draws are at the limit"
    assert np.median(given) < 1.0
    free = [drawn(1, n, lights, ["efficiency"], 3.0).efficiency[name] for n in range(200)]
    assert max(free) == pytest.approx(0.9 / peak), "more than the sensor beneath the dyes can do"
