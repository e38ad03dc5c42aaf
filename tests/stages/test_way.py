"""Which way to integrate: recipe first, else what the coverage allows."""

import numpy as np
import pytest

from fields import block_means, frame_table, stacked
from fourlight.recipe import Integrate
from fourlight.stages.way import Way, choose_way, noise_cost

SHAPE = (200, 200)


def dithered(count, seed=1, spread=6.0, fwhm=3.0):
    rng = np.random.default_rng(seed)
    matrices = [np.column_stack([np.eye(2), rng.normal(0, spread, 2)]) for _ in range(count)]
    table = frame_table(np.array(matrices), SHAPE, noise=np.full(4, 5.0), level=100.0)
    table.fwhm_px[:] = fwhm
    return table


def test_many_dithered_frames_are_fitted_and_few_are_dropped():
    many = choose_way(dithered(30), Integrate())
    assert many.method == "least-squares"
    assert "7.5 red and as many blue samples per pixel" in many.method_reason
    few = choose_way(dithered(6), Integrate())
    assert few.method == "drizzle"
    assert "1.5 red and as many blue samples fall on a pixel" in few.method_reason


def test_frames_without_dither_are_dropped_however_many():
    # red samples of 60 frames on the same places: three pixels in four have none
    way = choose_way(dithered(60, spread=0.0), Integrate())
    assert way.method == "drizzle"
    assert "hardly dithered" in way.method_reason
    assert way.pixfrac > 1


def test_dithered_frames_that_happen_to_lie_on_even_offsets_are_not_called_undithered():
    table = dithered(40)
    table.matrix[:, :, 2] = 2 * np.round(table.matrix[:, :, 2] / 2)
    table.inverse[:, :, 2] = -table.matrix[:, :, 2]
    way = choose_way(table, Integrate())
    assert way.method == "drizzle"
    assert "happen to leave holes" in way.method_reason
    assert "dithered, but" in way.to_know


@pytest.mark.parametrize("method", ["drizzle", "least-squares"])
def test_the_recipe_overrules(method):
    way = choose_way(dithered(14), Integrate(method=method, pixfrac=0.9))
    said = {"drizzle": "", "least-squares": "least squares has no drops: integrate.pixfrac is not used."}
    assert way == Way(method, "", 0.9, "", said[method])


def test_a_size_of_drops_asks_for_drops():
    assert choose_way(dithered(30), Integrate(pixfrac=0.7)) == Way("drizzle", "", 0.7, "")


def test_what_the_recipe_asks_for_is_told_where_it_leaves_holes():
    """Undithered, drops of 0.5 px reach one pixel in four of a red plane; the fit only guesses the other three."""
    still = dithered(20, spread=0.0)
    assert "leave 75.0% of the pixels" in choose_way(still, Integrate(method="drizzle", pixfrac=0.5)).to_know
    assert "leave 75.0% of the pixels" in choose_way(dithered(2, spread=0.0), Integrate(pixfrac=0.5)).to_know
    for table, why in (
        (still, "the frames are hardly dithered"),
        (dithered(4), "1.0 red and as many blue samples"),
    ):
        said = choose_way(table, Integrate(method="least-squares")).to_know
        assert f"least squares was asked for where drops are better: {why}" in said
    assert "which fills the holes but blurs" in choose_way(still, Integrate()).to_know
    for settings in (Integrate(), Integrate(method="drizzle"), Integrate(method="drizzle", pixfrac=0.8)):
        assert choose_way(dithered(30), settings).to_know == ""


def test_few_frames_on_a_part_of_the_field_are_no_lack_of_dither():
    """All but two of the dithered frames see one half only."""
    table = dithered(20, seed=3)
    table.matrix[1], table.inverse[1] = table.matrix[0], table.inverse[0]
    table.matrix[2:, 0, 2] += 110
    table.inverse[2:, 0, 2] -= 110
    way = choose_way(table, Integrate())
    assert "in a part of the field 2 of 20 frames lie on each other" in way.pixfrac_reason
    assert "dithered" not in choose_way(table, Integrate(method="least-squares")).to_know


def test_the_predicted_noise_is_that_of_stacks():
    # 12 frames and narrow stars: sparse planes, where the two ways differ
    table = dithered(12, seed=4, fwhm=1.5)
    cost = noise_cost(table, 0.8)
    rng = np.random.default_rng(2)
    images = 100 + 5 * rng.standard_normal((12, *SHAPE))
    inner = np.s_[24:-24, 24:-24]
    found = []
    for method in ("least-squares", "drizzle"):
        layers, _ = stacked(images, table, 0.8, method=method)
        found.append([block_means(layers[p]["value"][inner], 8).std() for p in ("R", "B")])
    # the larger of two ratios, each of 361 blocks that share their samples: 3 per cent
    assert max(np.divide(*found)) == pytest.approx(cost, rel=0.06)
