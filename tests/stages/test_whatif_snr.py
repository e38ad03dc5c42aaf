"""Signal over noise of two stacks whose noise is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from fourlight.core.cfa import COLOURS
from fourlight.stages.whatif_snr import Blocks, Regions, compared, regions_on, seen_blocks

SHAPE = (240, 320)
LIGHT = {"R": 40.0, "G": 20.0, "B": 10.0}


class Stack:
    """Planes with an even object on the right, noise of two halves, and a slope of the sky that they do not share."""

    def __init__(
        self, noise: float, seed: int, *, shape: tuple[int, int] = SHAPE, colours: tuple[str, ...] = COLOURS
    ) -> None:
        rng = np.random.default_rng(seed)
        self.layers = {}
        x = np.arange(shape[1])[None, :]
        for colour in colours:
            truth = 500.0 + np.where(x >= shape[1] // 2, LIGHT[colour], 0.0) + np.zeros(shape)
            one, two = (truth + noise * np.sqrt(2) * rng.standard_normal(shape) for _ in range(2))
            one, two = one - 5 - 0.02 * x, two + 5 + 0.02 * x
            self.layers |= {(colour, "value"): (one + two) / 2, (colour, "value_a"): one}
            self.layers[colour, "value_b"] = two

    def read(self, plane: str, layer: str) -> npt.NDArray[np.float32]:
        return self.layers[plane, layer].astype(np.float32)


def half(shape: tuple[int, int] = SHAPE) -> Regions:
    right = np.zeros(shape, dtype=bool)
    right[:, shape[1] // 2 :] = True
    return Regions(~right, right)


def test_ratios_noise_and_snr_are_those_put_in() -> None:
    one, two = Stack(4.0, 1), Stack(10.0, 2)
    blocks = [{c: seen_blocks(stack, c, half()) for c in COLOURS} for stack in (one, two)]
    found = compared(blocks[0], blocks[1], dict.fromkeys(COLOURS, 1.0))
    for colour in COLOURS:
        gain = found[colour]
        assert gain.faint is not None
        assert gain.faint.low < 0.4 < gain.faint.high
        assert gain.faint.value == pytest.approx(0.4, rel=0.05)
        # of means of 4 x 4 pixels
        assert gain.noise[0] == pytest.approx(1.0, rel=0.05)
        assert gain.noise[1] == pytest.approx(2.5, rel=0.05)
        assert gain.snr[0] == pytest.approx(LIGHT[colour], rel=0.06)
    whole = found["all"]
    assert whole.snr[0] == pytest.approx(np.sqrt(40**2 + 20**2 + 10**2), rel=0.05)


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """95 % of 180 draws of small stacks, with three sigma of a binomial number below and two above."""
    small, held, draws = (120, 160), 0, 180
    for seed in range(draws):
        blocks = [
            {
                "G": seen_blocks(
                    Stack(noise, 100 + 2 * seed + k, shape=small, colours=("G",)), "G", half(small)
                )
            }
            for k, noise in enumerate((4.0, 8.0))
        ]
        trial = compared(blocks[0], blocks[1], {"G": 1.0})["G"].bright
        assert trial is not None
        held += trial.low < 0.5 < trial.high
    assert 0.90 <= held / draws <= 0.985


def test_a_channel_left_out_costs_its_part_of_the_squares() -> None:
    stack = Stack(4.0, 5)
    blocks = {c: seen_blocks(stack, c, half()) for c in COLOURS}
    found = compared(blocks, {c: blocks[c] for c in ("R", "B")}, dict.fromkeys(COLOURS, 1.0))
    assert set(found) == {"R", "B", "all"}
    assert found["all"].bright is not None
    assert found["all"].bright.value == pytest.approx(np.sqrt((1600 + 100) / 2100), rel=0.02)
    assert found["R"].bright is not None
    assert found["R"].bright.value == 1.0


@pytest.fixture
def red_alone() -> dict[str, dict[str, Blocks]]:
    """Blocks of an object that is darker than the sky in blue and has no light in green, at noise of 1 and 2."""
    found = {}
    for noise, name in ((4.0, "before"), (8.0, "after")):
        blocks = {c: seen_blocks(Stack(noise, int(noise)), c, half()) for c in COLOURS}
        less = {"R": 0.0, "G": 20.0, "B": 15.0}
        found[name] = {
            c: replace(each, light=each.light - less[c] * each.object) for c, each in blocks.items()
        }
    return found


def test_a_channel_without_light_of_the_object_takes_nothing_from_the_others(
    red_alone: dict[str, dict[str, Blocks]],
) -> None:
    """Light of 40 in red at noise of 1 and of 2 for a block of 16 pixels."""
    found = compared(red_alone["before"], red_alone["after"], dict.fromkeys(COLOURS, 1.0))
    for name in ("R", "all"):
        assert found[name].snr == pytest.approx((40.0, 20.0), rel=0.06)
    assert found["B"].snr == (0.0, 0.0)
    for gain in found.values():
        for trial in (gain.faint, gain.bright):
            assert trial is not None
            assert trial.value == pytest.approx(0.5, rel=0.06)


def test_channels_without_light_that_are_left_tell_nothing_of_the_object(
    red_alone: dict[str, dict[str, Blocks]],
) -> None:
    before = {c: red_alone["before"][c] for c in ("R", "B")}
    found = compared(before, {"B": before["B"]}, dict.fromkeys(COLOURS, 1.0))
    assert found["all"].snr == (pytest.approx(40.0, rel=0.06), 0.0)
    assert found["all"].bright is None
    assert found["B"].bright is not None
    # without light in any channel there is no object, and all count alike
    found = compared({"B": before["B"]}, {"B": before["B"]}, {"B": 1.0})
    assert found["all"].snr == (None, None)
    assert found["all"].faint is not None


def test_a_stack_in_another_unit_is_the_same_stack() -> None:
    one, two = Stack(4.0, 1), Stack(4.0, 1)
    two.layers = {key: plane * 2 for key, plane in two.layers.items()}
    blocks = [{"G": seen_blocks(stack, "G", half())} for stack in (one, two)]
    found = compared(blocks[0], blocks[1], {"G": 0.5})["G"]
    assert found.faint is not None
    assert found.faint.value == pytest.approx(1.0, abs=1e-5)


def test_regions_follow_a_shifted_stack() -> None:
    there = regions_on(half(), SHAPE, np.array([[1.0, 0.0, -8.0], [0.0, 1.0, 0.0]]))
    assert there.object[:, SHAPE[1] // 2 + 8 :].all()
    assert not there.object[:, : SHAPE[1] // 2 + 8].any()
    assert not (there.sky | there.object)[:, :8].any()


def test_too_little_sky_tells_nothing() -> None:
    nothing = np.zeros(SHAPE, dtype=bool)
    blocks = {"G": seen_blocks(Stack(4.0, 1), "G", Regions(nothing, nothing))}
    found = compared(blocks, blocks, {"G": 1.0})
    assert found["G"].faint is None
    assert found["all"].bright is None
