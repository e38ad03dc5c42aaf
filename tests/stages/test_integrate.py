"""Integrated planes: claimed noise against actual noise, halves, drop sizes, tiny and empty stacks."""

from dataclasses import replace

import numpy as np
import pytest

from fields import block_means, frame_table, stacked, turned
from fourlight.core import cfa, maps
from fourlight.core.drizzle import area_factor
from fourlight.errors import StageError
from fourlight.stages import least_squares
from fourlight.stages.drops import Drops
from fourlight.stages.geometry import Tile
from fourlight.stages.stack_layers import LAYERS, OUTPUT_PLANES

LEVEL = 100.0


def noisy_night(seed, count, shape, spread=0.2, shift=12.0):
    """Pure noise of a different level in each frame and plane; dithers, small turns and a flip."""
    rng = np.random.default_rng(seed)
    centre = ((shape[1] - 1) / 2, (shape[0] - 1) / 2)
    matrices = [
        turned(rng.normal(0, 0.2) + 180 * (k % 2), 1.0, tuple(rng.uniform(-shift, shift, 2)), centre)
        for k in range(count)
    ]
    sigma = 5 * np.exp(rng.normal(0, spread, (count, 4)))
    y, x = np.mgrid[: shape[0], : shape[1]]
    plane = cfa.plane_map("RGGB")[y % 2, x % 2]
    images = np.stack([LEVEL + s[plane] * rng.standard_normal(shape) for s in sigma]).astype(np.float32)
    return images, frame_table(matrices, shape, noise=sigma, level=LEVEL)


def noise_ratio(layers, planes, side, suffix=""):
    """Actual over claimed noise of block means, all planes together, and its statistical error."""
    inner = np.s_[16:-16, 16:-16]
    found = []
    for plane in planes:
        value, claim = (
            block_means(layers[plane][name + suffix][inner], side) for name in ("value", "variance")
        )
        found.append((value - LEVEL) ** 2 / (claim / side**2))
    pulls = np.concatenate(found)
    return np.sqrt(pulls.mean()), 1 / np.sqrt(2 * pulls.size)


@pytest.fixture(scope="module")
def stacks():
    """Stacks of pure noise by number of frames and drop size, large enough for 0.7 per cent on 8 x 8 blocks."""
    out = {}
    for count, shape in ((6, (480, 480)), (24, (480, 480))):
        images, table = noisy_night(count, count, shape)
        for pixfrac in (0.6, 1.0, 2.0):
            out[count, pixfrac] = stacked(images, table, pixfrac)
    return out


@pytest.mark.slow
@pytest.mark.parametrize("count", [6, 24])
@pytest.mark.parametrize("pixfrac", [0.6, 1.0, 2.0])
def test_claimed_noise_is_the_actual_noise_of_blocks(stacks, count, pixfrac):
    """VAR is for sums over areas: 0.97 to 1.03 on 8 x 8 blocks and larger.

    Drops of two pixels carry noise 1.3 px beyond a block's rim, so that an 8 x 8 block has 4 per cent less of it
    than VAR / n and a 32 x 32 block 2 per cent more (Fruchter & Hook 2002, eq. 9); there the theory is the limit.
    """
    layers, _ = stacks[count, pixfrac]
    for side in (8, 16, 32):
        ratio, error = noise_ratio(layers, ("R", "G1", "G2", "B"), side)
        theory = np.sqrt(area_factor(pixfrac, side) / np.sqrt(area_factor(pixfrac, 8)))
        assert abs(theory - 1) < (0.03 if pixfrac <= 1 else 0.045)
        assert abs(ratio - theory) < 0.005 + 3 * error, side
        if side == 8:
            assert error < 0.007


@pytest.fixture(scope="module")
def fitted():
    """The same by least squares."""
    images, table = noisy_night(24, 24, (480, 480))
    return stacked(images, table, 1.0, method="least-squares")


@pytest.mark.slow
def test_least_squares_claims_its_noise_too(fitted):
    """White noise knows no rim: 8 x 8 blocks and larger ones follow VAR alike, halves too."""
    layers, scatter = fitted
    for planes, suffix in (
        (["R", "G1", "G2", "B"], ""),
        (["G"], ""),
        (["R", "B"], "_a"),
        (["G1", "G2"], "_b"),
    ):
        for side in (8, 16, 32):
            ratio, error = noise_ratio(layers, planes, side, suffix)
            assert abs(ratio - 1) < 0.015 + 3 * error, (planes, suffix, side)
    for plane in ("R", "G1", "G2", "B"):
        value, var = (layers[plane][name][16:-16, 16:-16] for name in ("value", "variance"))
        # NOISCORR comes from pure noise on one patch of the tile; the stack is an independent draw.
        assert np.std(value) / np.sqrt(var.mean()) == pytest.approx(scatter[plane], rel=0.04)


def test_many_frames_read_some_at_a_time_make_the_same_stack(monkeypatch):
    """What differs is the median that samples are held against; a trail across one frame goes as well."""
    images, table = noisy_night(5, 18, (160, 160))
    images[7, 60:63] += 60
    found = []
    for at_once in (18, 6):
        monkeypatch.setattr(least_squares, "AT_ONCE", at_once)
        monkeypatch.setattr(least_squares, "TOGETHER", at_once)
        found.append(stacked(images, table, 1.0, tiles=[Tile(16, 144, 16, 144)], method="least-squares")[0])
    inner = np.s_[24:-24, 24:-24]
    x, y = np.meshgrid(np.arange(160.0), np.arange(160.0))
    crossed = (np.abs(maps.apply(table.inverse[7], x, y)[1] - 61) < 1.5)[inner]
    assert crossed.sum() > 200
    for plane in OUTPUT_PLANES:
        one, other = ({name: part[inner] for name, part in each[plane].items()} for each in found)
        for half in ("", "_a", "_b"):
            apart = (one[f"value{half}"] - other[f"value{half}"]) / np.sqrt(one[f"variance{half}"])
            assert np.std(apart) < 0.08, (plane, half)
            np.testing.assert_allclose(
                other[f"variance{half}"].mean(), one[f"variance{half}"].mean(), rtol=0.01
            )
        for part in (one, other):
            assert part["value"][crossed].mean() == pytest.approx(LEVEL, abs=1), (
                "left in, a trail adds 1.6 to 4.6"
            )


@pytest.mark.slow
def test_both_greens_together_and_halves_claim_their_noise(stacks):
    for count in (6, 24):
        layers, _ = stacks[count, 1.0]
        for planes, suffix in ((["G"], ""), (["R", "G1", "G2", "B"], "_a"), (["R", "G1", "G2", "B"], "_b")):
            ratio, error = noise_ratio(layers, planes, 8, suffix)
            assert abs(ratio - 0.98) < 0.015 + 2.5 * error, (count, planes, suffix)


@pytest.mark.slow
def test_the_stack_lies_between_its_halves_which_have_nothing_in_common(stacks):
    layers, _ = stacks[24, 1.0]
    for plane in OUTPUT_PLANES:
        part = {name: layers[plane][name][16:-16, 16:-16].astype(float) for name in LAYERS}
        a, b, whole = part["value_a"], part["value_b"], part["value"]
        assert (np.minimum(a, b) - 1e-3 <= whole).all()
        assert (whole <= np.maximum(a, b) + 1e-3).all()
        first, second = (block_means(v.astype(np.float32), 8) - LEVEL for v in (a, b))
        correlation = np.corrcoef(first, second)[0, 1]
        assert abs(correlation) < 4 / np.sqrt(first.size)


def test_halves_of_equal_weight_average_to_the_stack():
    rng = np.random.default_rng(8)
    shape = (60, 60)
    matrices = [turned(0, 1, (k % 3, k // 3), (30, 30)) for k in range(8)]
    images = rng.normal(LEVEL, 5, (8, *shape))
    layers, _ = stacked(images, frame_table(matrices, shape, noise=np.full(4, 5.0), level=LEVEL), 2.0)
    inner = np.s_[16:-16, 16:-16]
    r = {name: layers["R"][name][inner].astype(float) for name in LAYERS}
    # drops of two pixels cover evenly: each pixel has as much of the four frames of one half as of the other
    np.testing.assert_allclose(r["value"], (r["value_a"] + r["value_b"]) / 2, rtol=1e-6)


@pytest.mark.parametrize(("pixfrac", "ratio"), [(1.0, 1.5), (0.5, 1.2)])
def test_pixel_scatter_is_the_published_one(pixfrac, ratio):
    """R = 1.5000 (p = s = 1) and 1.2000 (.5, 1): Fruchter & Hook 2002, equations 9 and 10.

    Pixel scatter is measured against that of block means times the side. The formula is for evenly
    covered planes, so many frames (100) lie on each pixel.
    """
    images, table = noisy_night(3, 100, (100, 100), spread=0.0)
    layers, claimed = stacked(images, table, pixfrac)
    pixel, blocks, claims = [], [], []
    for plane in ("R", "G1", "G2", "B"):
        value = layers[plane]["value"][16:-16, 16:-16]
        pixel.append(np.std(value))
        side = 8
        blocks.append(np.std(block_means(value, side)) * side / np.sqrt(area_factor(pixfrac, side)))
        claims.append(claimed[plane])
    # 4 planes x 64 blocks: 4.4 per cent
    assert np.sqrt(np.mean(np.square(blocks)) / np.mean(np.square(pixel))) == pytest.approx(ratio, rel=0.13)
    # NOISCORR is the same without chance; VAR holds the share of the rim of 8 x 8 blocks (see area_factor)
    rim = area_factor(pixfrac, 8) ** 0.25
    # a hundred places on each pixel are not quite an even spread: 1.5 per cent from night to night (measured)
    assert np.mean(claims) == pytest.approx(1 / ratio / rim, rel=0.04)


def test_samples_follow_the_geometry_of_the_mosaic():
    # R and B are sampled by 1/4, G by 1/2 of the pixels: 0.25 N, 0.5 N, 0.25 N (p = s = 1), by geometry
    images, table = noisy_night(4, 24, (96, 96), spread=0.0)
    layers, _ = stacked(images, table, 1.0)
    inner = np.s_[16:-16, 16:-16]
    for plane, share in (("R", 0.25), ("G1", 0.25), ("G2", 0.25), ("B", 0.25), ("G", 0.5)):
        assert np.mean(layers[plane]["samples"][inner]) == pytest.approx(share * 24, rel=0.015)


def test_drops_wider_than_the_rim_of_a_tile_are_refused():
    matrices = [np.array([[1.0, 0, 0], [0, 1.0, 0]]), turned(45.0, 4.0, (0.0, 0.0), (20, 20))]
    table = frame_table(matrices, (40, 40), noise=np.full(4, 5.0), level=LEVEL)
    Drops(table, 1.0)
    with pytest.raises(StageError, match=r"drops of 2 px of the coarsest frame span 13 px"):
        Drops(table, 2.0)


def test_defective_and_saturated_samples():
    """All frames NaN at one place: a hole in every layer; a full star in all frames is kept."""
    shape = (64, 64)
    images = np.full((4, *shape), LEVEL, dtype=np.float32)
    images[:, 30:33, 30:33] = 60000
    images[:, 10:16, 10:16] = np.nan
    table = frame_table([turned(0, 1, (0, 0), (0, 0))] * 4, shape, noise=np.full(4, 3.0))
    layers, _ = stacked(images, table, 2.0)
    assert layers["R"]["value"][31, 31] == pytest.approx(60000, rel=0.3)
    hole = np.s_[12:14, 12:14]
    for plane in OUTPUT_PLANES:
        for name in LAYERS:
            part = layers[plane][name][hole]
            assert (part == 0).all() if name == "samples" else np.isnan(part).all()


@pytest.mark.parametrize("shape", [(2, 2), (3, 2), (24, 24), (31, 17)])
def test_tiny_and_odd_frames(shape):
    images = np.full((3, *shape), LEVEL, dtype=np.float32)
    table = frame_table([turned(0, 1, (0, 0), (0, 0))] * 3, shape, noise=np.full(4, 3.0))
    layers, _ = stacked(images, table, 2.0)
    for plane in OUTPUT_PLANES:
        value = layers[plane]["value"]
        assert value.shape == shape
        assert np.isfinite(value).any()
        np.testing.assert_allclose(value[np.isfinite(value)], LEVEL, rtol=1e-6)


def test_one_frame_alone_and_a_frame_that_lies_elsewhere():
    shape = (40, 40)
    images = np.random.default_rng(9).normal(LEVEL, 3, (2, *shape))
    away = np.array([[[1.0, 0, 0], [0, 1, 0]], [[1.0, 0, 900], [0, 1, 0]]])
    table = frame_table(away, shape, noise=np.full(4, 3.0), level=LEVEL)
    layers, _ = stacked(images, table, 1.0)
    # a drop of one pixel of an unshifted frame is the sample itself
    np.testing.assert_allclose(layers["R"]["value"][2:-2:2, 2:-2:2], images[0, 2:-2:2, 2:-2:2], rtol=0.02)
    assert np.isnan(layers["R"]["value_b"]).all()
    assert np.isnan(layers["R"]["variance_b"]).all()


def test_scatter_of_pixels_over_var_is_found_beyond_the_rim_of_the_frames_too():
    """The lowest rows of the stack lie in no frame: a narrow tile there is half empty."""
    images, table = noisy_night(7, 12, (120, 160), shift=2.0)
    low = replace(table, shape=(150, 160))
    scatter = [
        stacked(images, low, 1.0, tiles=[Tile(y0, y1, 0, 160)], method="least-squares")[1]["R"]
        for y0, y1 in ((30, 90), (105, 140))
    ]
    assert scatter[1] == pytest.approx(scatter[0], rel=0.1)


@pytest.mark.parametrize(("shift", "covered"), [(0.9, 1.0), (0.99, 0.75)])
def test_a_pixel_that_a_sliver_of_a_drop_reaches_is_not_covered(shift, covered):
    """What the corner of one drop says of a pixel comes with next to no VAR."""
    image = np.full((20, 20), LEVEL)
    table = frame_table([np.array([[1, 0, shift], [0, 1, shift]])], image.shape, noise=np.ones(4))
    layers, _ = stacked([image], table, 1.0)
    part = {name: layer[10:12, 4:12] for name, layer in layers["R"].items()}
    assert (part["samples"] > 0).mean() == covered
    for name in ("value", "variance", "value_a", "variance_a"):
        np.testing.assert_array_equal(np.isfinite(part[name]), part["samples"] > 0)
