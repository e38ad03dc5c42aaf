"""Two setups by the clock: sums agree with plan and with least squares, order and overheads show, draws behave."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from compare_setups import LANTERN, MOONRISE, compared, setup, usual
from fourlight.core.unmix import unmix
from fourlight.errors import InputError
from fourlight.sensor.mono import without_dyes
from fourlight.sensor.rig import Rig
from fourlight.stages.compare_light import Parts, counted, kinds_of, light_of, told
from fourlight.stages.compare_setup import Glass, taken
from fourlight.stages.compare_snr import Patch, course
from fourlight.stages.plan_light import KINDS, Target, snr_per_sub
from fourlight.stages.plan_night import Place

EVEN = Parts(np.array([7200.0]), np.array([20.8]), np.array([np.inf]), np.array([1.2]), 0.2)
MOONLIT = replace(EVEN, moonlit_mag=np.array([20.0]))


def end(found, name):
    return float(found.snr[name][-1])


def patch(kinds, area=100.0):
    return Patch(kinds, area, 20.0, 3.0)


@pytest.mark.parametrize("parts", [EVEN, MOONLIT])
@pytest.mark.parametrize(("name", "kind"), [("dual-7nm", "faint-nebula"), ("none", "bright-nebula")])
def test_a_colour_camera_reaches_what_plan_tells(name, kind, parts):
    """One filter under one sky: as many subs as the clock has room for, each with what `fourlight sub` tells of it."""
    one, target = setup(filters=[(name, 1.0)]), KINDS[kind]
    kinds = kinds_of(target)
    found = course(one, light_of(one, target, kinds), parts, patch(kinds), 2.0, np.array([7200.0]))
    rig = one.glass[0].rig
    moon = None if np.isinf(parts.moonlit_mag[0]) else float(parts.moonlit_mag[0])
    wanted = snr_per_sub(rig, target, rig.sky(20.8, moon), 180.0, 100.0, passed=float(parts.passed[0]),
                         subs=float(len(found.taken.ends_s)))  # fmt: skip
    for line in kinds:
        assert end(found, line) == pytest.approx(wanted[line], rel=1e-3)
    assert [found.channels[c] for c in ("red", "green", "blue")] == pytest.approx(
        [wanted[c] for c in ("red", "green", "blue")], rel=1e-3
    )
    assert end(found, "all light") == pytest.approx(wanted["all colours"], rel=1e-3)


def test_kinds_of_light_are_told_apart_as_lines_does():
    """The pixel by pixel estimator that makes line maps, given the same variances, has the same errors."""
    one, target = setup(filters=[("tri-band", 1.0)]), Target("x", rayleigh={"halpha": 80.0, "oiii": 50.0})
    (seen,) = light_of(one, target, ("halpha", "oiii"))
    rig = seen.glass.rig
    found = told(seen, EVEN, 4 * rig.pixel_arcsec**2, 20.0, 3.0)
    signal = seen.columns.sum(axis=1) * EVEN.passed[0] * 180.0
    sky = seen.skies[:, 0] * 10 ** (-0.4 * 20.8)
    variance = (signal + (sky + rig.chip.dark_e_per_s) * 180.0 + rig.chip.read_variance_e2) / (
        4 * rig.samples
    )
    v = variance.astype(np.float32).reshape(3, 1, 1)
    _, covariance = unmix(np.zeros_like(v), v, v, seen.columns * EVEN.passed[0] * 180.0)
    inverse = np.linalg.inv(found.normals[0])
    assert np.diag(inverse) == pytest.approx(covariance[:2, 0, 0], rel=1e-4)


@pytest.mark.parametrize("target", [KINDS["galaxy"], Target("x", 21.0, 9000.0, {"halpha": 40.0})])
def test_kinds_of_light_are_all_of_it(target):
    (seen,) = light_of(setup(filters=[("uv-ir-cut", 1.0)]), target, kinds_of(target))
    rig = seen.glass.rig
    whole = rig.surface(target.mag_arcsec2, target.temperature_k)
    if target.rayleigh:
        whole = whole + rig.line_rates(dict(target.rayleigh)).sum(axis=1)
    assert seen.columns.sum(axis=1) == pytest.approx(whole, rel=1e-9)
    assert seen.skies[:, 0] == pytest.approx(rig.sky(0.0), rel=1e-9)


def test_modes_are_what_curves_that_are_off_count():
    glass = setup(filters=[("dual-7nm", 1.0)]).glass[0]
    target, kinds = KINDS["faint-nebula"], ("halpha", "oiii")
    seen = counted(glass, target, kinds)
    response, n = glass.rig.response, 4
    off = replace(response, curves=response.curves + response.modes[n])
    moved = counted(
        replace(glass, rig=Rig(off, glass.rig.filter, glass.rig.optics, glass.rig.chip)), target, kinds
    )
    assert moved.columns == pytest.approx(seen.columns + seen.column_modes[n], rel=1e-6)
    assert moved.skies == pytest.approx(seen.skies + seen.sky_modes[n], rel=1e-6)
    assert moved.star == pytest.approx(seen.star + seen.star_modes[n], rel=1e-6)


def test_the_last_filter_of_a_wheel_is_there_when_its_turn_comes():
    one_by_one = usual("lines").sides[1]
    change = float(one_by_one.course.taken.ends_s[one_by_one.course.taken.which == 1][0])
    assert one_by_one.complete_s == pytest.approx(change, abs=121.0)
    before = one_by_one.course.times_s < change
    assert (one_by_one.course.snr["oiii"][before] == 0).all()
    assert (one_by_one.course.snr["halpha"][before][10:] > 0).all()
    filters = [("halpha-7nm", 1.0), ("oiii-7nm", 1.0)]
    turns = compared(
        setup(mono=True, filters=filters, head="round_min = 30"), setup(mono=True, filters=filters)
    )
    assert turns.sides[0].complete_s < 2400.0 < turns.sides[1].complete_s
    assert turns.sides[0].course.taken.spent.changes > 5 * turns.sides[1].course.taken.spent.changes
    assert turns.sides[0].worst[-1] < turns.sides[1].worst[-1], "changes cost light"
    middle = len(turns.sides[0].worst) // 2
    assert turns.sides[0].worst[middle] > turns.sides[1].worst[middle]


def test_signal_over_noise_never_falls_with_the_clock():
    for side in usual("light").sides:
        for values in side.course.snr.values():
            assert (np.diff(values) > -1e-9).all()


def test_where_the_hours_go_is_all_of_the_hours():
    for name in ("lines", "light", "same"):
        for side in usual(name).sides:
            spent = side.course.taken.spent
            whole = spent.light_s + spent.between + spent.changes + spent.refocus + spent.flats + spent.rest
            assert whole == pytest.approx(3600 * usual(name).asked.hours)
            # What is told of the subs, against when they end: both ways lead to the same left over time.
            found, costs = side.course.taken, side.setup.costs
            subs = [int((found.which == k).sum()) for k in range(len(side.setup.glass))]
            assert spent.light_s == pytest.approx(float(np.dot(subs, side.setup.sub_s)))
            assert spent.between == pytest.approx(sum(subs) * (costs.download_s + costs.dither_s))
            last = float(found.ends_s[-1]) + costs.dither_s + spent.flats
            assert spent.rest == pytest.approx(3600 * usual(name).asked.hours - last)
            longest = max(each.sub_s for each in side.setup.glass)
            assert 0 < spent.rest < longest + costs.change_s + costs.refocus_s + costs.download_s


def test_flats_outside_of_the_hours_leave_more_light():
    more = "[overheads]\nflats = 60\nflat_s = 10\nflats_within = {}"
    within, outside = (taken(setup(more=more.format(word)), 2.0) for word in ("true", "false"))
    assert within.spent.flats == 600.0
    assert outside.spent.light_s - within.spent.light_s == pytest.approx(600.0, abs=200.0)


def test_a_setup_against_itself_cannot_be_told():
    found = usual("same")
    for one in found.quantities:
        assert one.ratio == pytest.approx(1.0)
        assert one.low <= 1 <= one.high


def test_the_other_way_round_is_the_inverse():
    here, there = usual("lines"), compared("mono-two-lines", "colour-dual", draws=20)
    for one, other in zip(here.quantities, there.quantities, strict=True):
        assert one.ratio * other.ratio == pytest.approx(1.0)


def test_what_both_share_moves_the_ratio_little_and_what_one_has_moves_it():
    by = {one.name: one.high / one.low - 1 for one in usual("lines").assumed}
    assert max(by["optics"], by["efficiency"], by["sky"], by["air"]) < 0.01
    assert min(by["dyes"], by["curves"], by["filters"]) > 0.04
    assert by["seeing"] < 0.01, "same pixels, same optics"


def test_an_interval_over_all_is_wider_than_over_any_alone():
    found = usual("lines")
    main = found.quantities[0]
    for one in found.assumed:
        if one.name != "seeing":
            assert one.high / one.low < main.high / main.low


def test_continuum_through_narrow_bands_cannot_be_told_and_lines_can():
    first, second = usual("blind").sides
    assert set(first.blind) == {"oiii", "continuum"}
    assert second.blind == ("continuum",)
    assert second.course.snr["halpha"][-1] > 3
    broad = compared(setup(filters=[("dual-7nm", 9.0), ("uv-ir-cut", 1.0)]), "colour-dual",
                     Target("own target", 22.0, rayleigh={"halpha": 30.0, "oiii": 20.0}), 2.0)  # fmt: skip
    assert broad.sides[0].course.snr["continuum"][-1] > 10, (
        "a tenth of the light without narrow bands tells it"
    )


def test_only_one_of_two_tells_it():
    one = {each.name: each for each in usual("blind").quantities}["oiii"]
    assert one.values[0] == 0.0
    assert np.isinf(one.ratio)


def test_a_filter_that_waits_for_the_moon_pays_for_it():
    """Blue comes last and under the Moon that has risen; in rounds it has its part of the dark hours."""
    wheel = [("wheel-red", 1.0), ("wheel-green", 1.0), ("wheel-blue", 1.0)]
    later, rounds = (
        setup(
            mono=True,
            filters=wheel,
            head=head,
            more="[overheads]\nrefocus_after_change = false\nchange_s = 0",
        )
        for head in ("", "round_min = 30")
    )
    found = compared(later, rounds, KINDS["galaxy"], 5.0, MOONRISE, LANTERN)
    by = {each.name: each.ratio for each in found.quantities}
    assert by["blue light"] > 1.1
    assert by["red light"] < 0.97


def test_the_hours_are_those_that_are_worth_most():
    found = usual("light")
    minutes = (found.night.moments_s >= found.start_s) & (found.night.moments_s < found.start_s + 5 * 3600)
    assert found.sight.usable[minutes].all()
    worth = found.sight.worth * found.sight.usable
    best = max(worth[k : k + 300].sum() for k in np.flatnonzero(found.sight.usable)[:-300])
    assert worth[minutes].sum() == pytest.approx(best, rel=1e-6)


def test_a_place_in_the_zenith_passes_in_the_middle_of_the_night():
    sight = usual("lines").sight
    assert sight.highest_deg > 89.0
    ((start, finish),) = usual("lines").night.dark
    passes = [at for at in sight.meridian_s if start < at < finish]
    assert passes[0] == pytest.approx((start + finish) / 2, abs=300)


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (lambda: compared("colour-dual", "mono-lrgb", hours=14.0), "without a break"),
        (lambda: compared(setup(sub=8000.0), "mono-lrgb", hours=2.0), "take shorter subs or more hours"),
        (lambda: compared(setup(sub=0.05), "mono-lrgb", hours=2.0), "more than 100000"),
        (lambda: compared(setup(filters=[((900.0, 20.0), 1.0)]), "mono-lrgb", hours=2.0), "no light passes"),
        (lambda: compared("colour-dual", "mono-lrgb", place=Place("x", 10.0, -75.0)), "never rises"),
        (lambda: compared("colour-dual", "mono-lrgb", needed=("sii",)), "needed light 'sii'"),
    ],
)
def test_what_cannot_be_is_refused(made, said):
    with pytest.raises(InputError, match=said) as refused:
        made()
    assert "\n" not in str(refused.value)


def test_a_camera_without_dyes_is_read_in_one_channel():
    glass = Glass("x", Rig(without_dyes(setup().glass[0].rig.response), *_rest()), 1.0, 60.0)
    assert counted(glass, KINDS["galaxy"], kinds_of(KINDS["galaxy"])).columns.shape == (1, 3)


def _rest():
    rig = setup(filters=[("luminance", 1.0)]).glass[0].rig
    return rig.filter, rig.optics, rig.chip
