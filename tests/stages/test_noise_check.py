"""Noise of frames found from what the frames disagree about: true noise, common structure, few frames."""

import numpy as np
import pytest

from fields import frame_table, turned
from fourlight.core import cfa, maps
from fourlight.stages import noise_check
from fourlight.stages.noise_check import believed, noise_factors, with_noise

SHAPE = (300, 320)
CELL = cfa.plane_map("RGGB")


def night(count, truth, claimed, structure=0.0, seed=1):
    """Frames whose samples scatter by ``truth`` (f, 4) where the table says ``claimed``; structure common to all."""
    rng = np.random.default_rng(seed)
    grain = rng.normal(0, structure, (80, 80))
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    plane = CELL[y % 2, x % 2]
    matrices, images = [], []
    for k in range(count):
        matrix = turned(rng.normal(0, 0.3), 1, tuple(rng.uniform(-6, 6, 2)), (160, 150))
        u, v = maps.apply(matrix, x.astype(float), y.astype(float))
        common = grain[(v.astype(int) + 40) // 5, (u.astype(int) + 40) // 5]
        images.append(200 + common + np.asarray(truth)[k][plane] * rng.standard_normal(SHAPE))
        matrices.append(matrix)
    table = frame_table(np.array(matrices), SHAPE, noise=np.asarray(claimed), level=200.0)

    def read(f, y0, y1, x0, x1):
        return images[f][y0:y1, x0:x1].astype(np.float32), np.empty((0, 0), dtype=np.float32)

    return noise_factors(table, read), table


@pytest.mark.parametrize("count", [4, 10])
def test_right_noise_gives_one(count):
    noise = np.full((count, 4), 6.0)
    found, _ = night(count, noise, noise)
    # 9 000 residuals of each frame and plane and as many of pure noise: 2.2 per cent of a variance, 3.8 with four
    # frames, where a frame and the reference share much
    np.testing.assert_allclose(found, 1.0, atol=4 * (0.038 if count == 4 else 0.025))
    assert np.mean(found) == pytest.approx(1.0, abs=0.02)


def test_noise_that_is_claimed_wrongly_is_mended():
    claimed = np.full((10, 4), 6.0)
    truth = claimed * np.linspace(0.9, 1.1, 10)[:, None] * [1.0, 1.05, 1.05, 0.95]
    found, _ = night(10, truth, claimed)
    # the reference is a median of the ten themselves, so a frame's excess is shared out a little
    np.testing.assert_allclose(found, (truth / claimed) ** 2, rtol=0.1)
    assert np.corrcoef(found.ravel(), (truth**2).ravel())[0, 1] > 0.95


@pytest.mark.parametrize("above", [0.0, 0.25, 0.5])
@pytest.mark.parametrize("sigma", [0.4, 0.6, 1.4, 4.0])
@pytest.mark.parametrize("alike", [True, False])
def test_right_noise_of_whole_numbers_gives_one(sigma, above, alike):
    """Frames of one sky, whose levels lie at the same place between two steps, and of skies that differ by up to one.

    The claim is the standard deviation of the samples as they are.
    """
    rng = np.random.default_rng(41)
    count, skies = 12, 200.0 + above + np.zeros(12)
    skies = skies if alike else skies + rng.random(12)
    images = [np.rint(sky + sigma * rng.standard_normal(SHAPE)) - (sky - 200 - above) for sky in skies]
    noise = np.array([np.full(4, image.std()) for image in images])
    matrices = [turned(rng.normal(0, 0.3), 1, tuple(rng.uniform(-6, 6, 2)), (160, 150)) for _ in images]
    table = frame_table(np.array(matrices), SHAPE, noise=noise, level=200.0 + above, step=1.0)

    def read(f, y0, y1, x0, x1):
        return images[f][y0:y1, x0:x1].astype(np.float32), np.empty((0, 0), dtype=np.float32)

    found = np.sqrt(noise_factors(table, read))
    assert found.shape == (count, 4)
    # 1.3 per cent of a standard deviation each, as for any noise; one and a half per cent for what is not normal
    assert np.mean(found) == pytest.approx(1.0, abs=0.05 if sigma == 0.4 else 0.015)
    np.testing.assert_allclose(found, 1.0, atol=0.15 if sigma == 0.4 else 0.065)


def test_frames_that_do_not_scatter_cannot_tell():
    """Whole numbers that are all the same: residuals of nothing, over an expectation of nothing."""

    def read(f, y0, y1, x0, x1):
        return np.full((y1 - y0, x1 - x0), 200.0, np.float32), np.empty((0, 0), dtype=np.float32)

    for step in (0.0, 1.0):
        table = frame_table([np.eye(2, 3)] * 3, SHAPE, noise=np.full(4, 0.2887), level=200.0, step=step)
        assert np.isfinite(noise_factors(table, read)).all()
    assert noise_check._factor(np.zeros(900, np.float32), np.zeros(900, np.float32), 0.0) == 1.0
    assert noise_check._factor(np.ones(900, np.float32), np.ones(20, np.float32), 0.0) == 1.0


def test_factors_far_from_one_are_told_and_not_believed():
    claimed = np.full((5, 4), 6.0)
    found, _ = night(5, np.full((5, 4), 2.0), claimed)
    assert (found < 0.2).all()
    kept, notes = believed(found)
    np.testing.assert_array_equal(kept, 1.0)
    assert "in 20 planes" in notes[0]
    near = np.array([[0.51, 1.0, 1.99, 0.7]])
    np.testing.assert_array_equal(believed(near)[0], near)
    assert not believed(near)[1]


def test_unresolved_structure_is_no_noise():
    """A claim that took grain of 3 for noise: sqrt(36 + 9) where 6 is true."""
    truth = np.full((10, 4), 6.0)
    found, _ = night(10, truth, np.sqrt(truth**2 + 9.0), structure=3.0)
    assert np.median(found) == pytest.approx(36 / 45, rel=0.1)


def test_two_frames_cannot_tell():
    noise = np.full((2, 4), 6.0)
    found, _ = night(2, noise, 2 * noise)
    np.testing.assert_array_equal(found, 1.0)


def test_the_same_frames_give_the_same_factors():
    noise = np.full((4, 4), 6.0)
    np.testing.assert_array_equal(night(4, noise, noise)[0], night(4, noise, noise)[0])


def test_factors_multiply_the_variance_at_the_sky_level():
    noise = np.full((3, 4), 6.0)
    table = frame_table([np.eye(2, 3)] * 3, SHAPE, noise=noise, level=20.0, poisson=1.0)
    response, level = np.full((3, 4), 0.8), np.full((3, 4), 20.0)
    factor = np.array([[1.0] * 4, [1.2] * 4, [0.9, 1.1, 1.0, 1.0]])
    after = with_noise(table, factor, response, level)
    sky = 20.0 * 0.8
    np.testing.assert_allclose(after.dark + sky, (table.dark + sky) * factor)
    np.testing.assert_allclose(after.weight, table.weight / factor)
    np.testing.assert_allclose(after.floor, table.floor * factor)


def test_many_frames_are_compared_in_groups(monkeypatch):
    """Each frame with every third one: the factors stay true, and come in the order of the frames."""
    truth = np.full((12, 4), 6.0)
    claimed = truth * np.linspace(0.9, 1.1, 12)[:, None]
    monkeypatch.setattr(noise_check, "GROUP", 4)
    found, _ = night(12, truth, claimed)
    np.testing.assert_allclose(found, (truth / claimed) ** 2, rtol=0.12)


def test_frames_too_small_to_tell():
    def read(f, y0, y1, x0, x1):
        return np.full((y1 - y0, x1 - x0), 5.0, np.float32), np.empty((0, 0), dtype=np.float32)

    table = frame_table([np.eye(2, 3)] * 3, (12, 12), noise=np.full(4, 1.0))
    assert np.isfinite(noise_factors(table, read)).all()


def test_residuals_are_thinned_evenly_to_the_room_there_is():
    """More than there is room for, exactly as many, few, and none."""
    kept = noise_check._Residuals.none(frames=2, patches=4)
    most = kept.kept.shape[-1]
    for patch, length in enumerate((3 * most - 1, most, 5, 0)):
        kept.keep(1, 2, patch, np.arange(length, dtype=np.float32))
    assert kept.count[1, 2].tolist() == [most, most, 5, 0]
    expected = [np.arange(0, 3 * most - 1, 3), np.arange(most), np.arange(5)]
    np.testing.assert_array_equal(kept.of(1, 2), np.concatenate(expected))
    assert len(kept.of(0, 0)) == 0


@pytest.mark.parametrize("frames", [50, 100])
def test_room_for_residuals_does_not_grow_with_many_frames(frames):
    """100,000 for each of 4 planes and 2 patches, of 4 bytes each."""
    assert noise_check._Residuals.none(frames, patches=2).kept.nbytes == 100_000 * 4 * 2 * 4
